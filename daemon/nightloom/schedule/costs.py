"""What gaps and moves cost, configured or measured; the weave and the bound of a cycle by it."""

from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from itertools import permutations

from nightloom.cycle import (
    Cycle,
    FocuserTravel,
    GapCosts,
    Pair,
    Weave,
    WheelTravel,
    change_times_s,
    lower_bound_s,
    order_cost_s,
    weave,
)
from nightloom.ledger import Duration, Key, Ledger, LedgerBusy, Part, Running, running_figures
from nightloom.settings import Settings, Target, cycle_of
from nightloom.settings.observatory import Observatory
from nightloom.telemetry import Event
from nightloom.telemetry.events import Dithered, FilterChanged, SubEnded

NOTHING: Mapping[Key, Running] = {}

FINEST_S = 0.1
"""Measured costs are rounded to this: less is chance, and would move the weave about."""


def costs_of(settings: Settings, figures: Mapping[Key, Running] = NOTHING) -> GapCosts:
    """What a gap is expected to cost, measured figures before configured ones."""
    said = settings.observatory.costs
    known = {key: _rounded(one.median_s) for key, one in figures.items() if one.enough}
    return GapCosts(
        known.get((Part.DOWNLOAD, "", ""), said.download_s),
        _change_s(settings.observatory, known),
        known.get((Part.DITHER, "", ""), said.dither_s),
    )


class Stopwatch:
    """Listens to a night's events and enters into the ledger how long things took."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def observe(self, utc: datetime, event: Event) -> None:
        """Take one event of the log. Raises LedgerError."""
        match event:
            case FilterChanged(before=before, after=after) if before and before != after:
                self._enter(Duration(Part.CHANGE, event.took_s, utc, before, after))
            case Dithered(settle_s=took_s):
                self._enter(Duration(Part.DITHER, took_s, utc))
            case SubEnded(download_s=took_s):
                self._enter(Duration(Part.DOWNLOAD, took_s, utc))
            case _:
                pass

    def _enter(self, duration: Duration) -> None:
        with suppress(LedgerBusy):  # one of many: none of them is worth waiting for
            self._ledger.add_duration(duration)


def _change_s(observatory: Observatory, known: Mapping[Key, float]) -> float | dict[Pair, float]:
    """One time for all changes; one for each pair when slots are reckoned or one was measured."""
    said, pairs = observatory.costs, list(permutations(observatory.wheel.slots, 2))
    measured = {pair: known[Part.CHANGE, *pair] for pair in pairs if (Part.CHANGE, *pair) in known}
    if said.wheel_slot_s is not None:
        return _by_travel(observatory, said.wheel_slot_s) | measured
    if measured:
        return dict.fromkeys(pairs, said.wheel_change_s) | measured
    return said.wheel_change_s


def _by_travel(observatory: Observatory, slot_s: float) -> dict[Pair, float]:
    """The time of each change by the slots to travel and the focus steps to move."""
    # Imported here because its package takes longer than all the rest of `nightloom weave`.
    from nightloom.focusing import Travel

    said, slots = observatory.costs, observatory.wheel.slots
    wheel = WheelTravel(slots, slot_s, said.wheel_one_way)
    if said.focuser_steps_per_s is None:
        return change_times_s(slots, wheel)
    own = observatory.focuser
    travel = Travel(own.minimum_steps, own.maximum_steps, own.backlash_steps, own.approach)
    focuser = FocuserTravel(
        {name: observatory.filters[name].offset_steps for name in slots},
        said.focuser_steps_per_s,
        abs(travel.lead_steps),
        travel.sign,
    )
    return change_times_s(slots, wheel, focuser)


def _rounded(seconds: float) -> float:
    return round(round(seconds / FINEST_S) * FINEST_S, 6)


# Moves ----------------------------------------------------------------------------------------

SLEW_S, GUIDE_S = 60.0, 30.0
"""A slew across half the sky, and a calibrated guider's way to rest: common practice, no source."""


def move_cost_s(settings: Settings) -> float:
    """What it takes from one target to the next: to go there and to take a focus curve."""
    return crossing_cost_s(settings) + focus_cost_s(settings)


def crossing_cost_s(settings: Settings) -> float:
    """What it takes to the other side of the pier: slew, two frames to centre, guide."""
    acquire, observatory = settings.policies.acquire, settings.observatory
    centre_s = 2 * (acquire.exposure_s + observatory.costs.download_s)
    return SLEW_S + observatory.mount.slew_settle_s + centre_s + GUIDE_S


def focus_cost_s(settings: Settings) -> float:
    """What a focus curve takes."""
    focus = settings.policies.focus
    return focus.points * (focus.exposure_s + settings.observatory.costs.download_s)


# Cycles ---------------------------------------------------------------------------------------


def open_fraction(cycle: Cycle, costs: GapCosts) -> float:
    """The largest part of its time that a cycle can keep the shutter open."""
    return cycle.exposure_s / (cycle.exposure_s + lower_bound_s(cycle.counts, costs, cycle.room))


def bound_fraction(settings: Settings, target: Target) -> float:
    """The same for a target, by the group that loses least."""
    costs, dither = costs_of(settings), target.dither.over(settings.policies.dither)
    return max(open_fraction(cycle_of(group.filters, dither), costs) for group in target.groups)


WORTH_S = 0.5
"""A new order is taken when it saves this much in a cycle: a steady order is easier to follow."""


class Weaving:
    """Knows the weave of each cycle that was asked for tonight."""

    def __init__(self, settings: Settings, ledger: Ledger) -> None:
        self._settings, self._ledger = settings, ledger
        self._woven: dict[Cycle, tuple[int, GapCosts, Weave]] = {}
        self.costs = self._measured()

    def weave(self, cycle: Cycle, number: int) -> Weave:
        """The weave for the cycle of that number. Raises LedgerError."""
        if cycle not in self._woven:
            self.costs = self._measured()
            self._woven[cycle] = number, self.costs, weave(cycle.counts, self.costs, cycle.room)
        elif self._woven[cycle][0] != number:
            self._woven[cycle] = self._again(cycle, number)
        return self._woven[cycle][-1]

    def _again(self, cycle: Cycle, number: int) -> tuple[int, GapCosts, Weave]:
        """The weave for what is known by now: the last one, unless another is worth it."""
        _, known, last = self._woven[cycle]
        self.costs = self._measured()
        if self.costs == known:
            return number, known, last
        woven = weave(cycle.counts, self.costs, cycle.room)
        last_s = order_cost_s(last.order, last.dither_after, self.costs, last.cycles_at_once)
        return number, self.costs, woven if last_s - woven.cost_s >= WORTH_S else last

    def _measured(self) -> GapCosts:
        return costs_of(self._settings, running_figures(self._ledger))
