"""What the gaps between subs cost: as configured, until enough was measured on the running rig."""

from collections.abc import Mapping
from datetime import datetime
from itertools import permutations

from nightloom.cycle import FocuserTravel, GapCosts, Pair, WheelTravel, change_times_s
from nightloom.ledger import Duration, Key, Ledger, Part, Running
from nightloom.settings import Settings
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
