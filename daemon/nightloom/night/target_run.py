"""The course of the running target: its pointings, which sub comes next, and when to leave it."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nightloom.cycle import Cycle, Taken, cycles_done, next_sub, unevenness
from nightloom.ledger import Ledger, Place, Stage, Sub, number_of, uid_of
from nightloom.night.phases import Next, Phase
from nightloom.safety import Guard
from nightloom.schedule.costs import Weaving, crossing_cost_s
from nightloom.schedule.meridian_limits import EDGE_S
from nightloom.schedule.schedule import Schedule
from nightloom.schedule.windows import STEP_S
from nightloom.settings import Settings, Target, cycle_of
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import PierSide


@dataclass(frozen=True)
class Planned:
    """A sub that is due, and whether the pointing moves before it."""

    filter: str
    exposure_s: float
    dither: bool
    reason: str = ""


Ending = Next[Literal[Phase.CROSSING, Phase.ACQUIRING, Phase.READYING, Phase.RETIRING]]
"""Why no other sub of a target is taken, and where that leads."""

RECENT_CYCLES = 4
"""So many cycles of subs are looked back on: making up may take two cycles' time for one."""

LEEWAY_S = 10.0
"""A sub ends this long before the limit of its pier side: dithers and pulses move the telescope."""

CYCLE_ENDS = 1e-6
"""Unevenness below this, in cycles, is that of rounding: all filters have whole cycles."""


class TargetRun:
    """Decides from the tally, never from a counter, what is due on the running target."""

    def __init__(
        self,
        settings: Settings,
        schedule: Schedule,
        guard: Guard,
        ledger: Ledger,
        clock: Clock,
    ) -> None:
        self._settings = settings
        self._make_up_cycles = settings.policies.cycle.make_up_cycles
        self._weaving = Weaving(settings, ledger)
        self._programme, self._guard = schedule, guard
        self._ledger, self._clock = ledger, clock
        given = ledger.uids(str(schedule.night))
        self._number = max((number_of(uid) for uid in given), default=0)
        self._places: dict[str, list[tuple[float, float]]] = {}
        self._elsewhere: dict[str, NDArray[np.float64]] = {}
        self._target: Target | None = None
        self._taken_here: set[str] = set()
        self._check_next = False
        self._checked_uid = ""
        self.cycle = 1
        self.closed_s = clock.unix_s()
        """When the shutter closed last."""

    @property
    def running(self) -> Target:
        """The target that was centred last. Raises RuntimeError before the first."""
        if self._target is None:
            raise RuntimeError("no target is running")
        return self._target

    @property
    def pointing(self) -> int:
        """Number of the present pointing on the running target tonight."""
        return len(self._places[self.running.name])

    def run(self, target: Target, place_px: tuple[float, float]) -> None:
        """A target was centred: its course begins, or goes on, at a pointing of its own."""
        self._target = target
        if target.name not in self._places:
            self._remember(target)
        self.moved(place_px)

    def moved(self, place_px: tuple[float, float]) -> None:
        """The pointing moved: the running target stands elsewhere on the sensor. Ledger first."""
        name = self.running.name
        number = len(self._places[name]) + 1
        self._ledger.add_place(Place(str(self._programme.night), name, number, *place_px))
        self._places[name].append(place_px)
        self._taken_here.clear()

    def places_px(self) -> NDArray[np.float64]:
        """Tonight's pointings on the running target, (n, 2), the present one last."""
        return np.array(self._places[self.running.name])

    def elsewhere_px(self) -> NDArray[np.float64]:
        """Its pointings of other nights, (n, 2)."""
        return self._elsewhere[self.running.name]

    def _remember(self, target: Target) -> None:
        """Read a target's pointings from the ledger, those before a restart too."""
        night = str(self._programme.night)
        known = self._ledger.places(target.name)
        self._places[target.name] = [(p.x_px, p.y_px) for p in known if p.night == night]
        others = [(p.x_px, p.y_px) for p in known if p.night != night]
        self._elsewhere[target.name] = np.array(others, dtype=np.float64).reshape(-1, 2)

    def next_uid(self) -> str:
        """The name of the next sub of this night, which no other has had."""
        self._number += 1
        uid = uid_of(str(self._programme.night), self._number)
        if self._check_next:
            self._checked_uid = uid
            self._check_next = False
        return uid

    def check_next_sub(self) -> None:
        """The rig has been turned over: should the next sub be rejected, centre the target anew."""
        self._check_next = True

    def shutter_closed(self, planned: Planned) -> None:
        """A sub was taken at the present pointing."""
        self._taken_here.add(planned.filter)
        self.closed_s = self._clock.unix_s()

    def planned(self) -> Planned:
        """The sub that the tally asks for."""
        target = self.running
        accepted_s, pending_s = self._ledger.accepted_s(target.name), self._pending_s(target)
        filters = self._programme.cycle_filters(target, pending_s)
        cycle = cycle_of(filters)
        self.cycle = cycles_done(cycle, self._taken_s(target, filters)) + 1
        due = next_sub(
            cycle,
            self._weaving.weave(cycle, self.cycle),
            accepted_s,
            pending_s,
            self._taken_here,
            self._recent(target, cycle),
            self._make_up_cycles,
        )
        return Planned(due.filter, filters[due.filter].exposure_s, due.dither_before, due.reason)

    def ending(self, before_s: float = 0.0) -> Ending | None:
        """Why no other sub of this target may begin now, or in `before_s`; None when one may."""
        target, planned = self.running, self.planned()
        cut = self.cut_short(planned, before_s + self._gap_s(planned))
        if cut is not None and cut.phase is Phase.RETIRING:
            return cut
        chosen = self._programme.choose(target, self._pending_s(target), self._look_ahead_s(target))
        if chosen is None:
            if cut is not None and cut.phase is Phase.CROSSING:
                return cut
            return Next(Phase.READYING, f"{target.name} is done, and nothing else is up")
        rejected = self._failed_check(target)
        if rejected:
            return Next(Phase.ACQUIRING, f"the first sub after the meridian failed: {rejected}")
        if chosen.name != target.name:
            return Next(Phase.ACQUIRING, f"{chosen.name} goes before {target.name}")
        return cut

    def cut_short(self, planned: Planned, begins_in_s: float = 0.0) -> Ending | None:
        """What would cut short a sub that begins in so many seconds; None when nothing would."""
        target, lasts_s = self.running, begins_in_s + planned.exposure_s
        end_s = self._clock.unix_s() + lasts_s
        if end_s > self._programme.dark.end_unix_s:
            return Next(Phase.RETIRING, "no sub fits before dawn")
        if lasts_s > self._guard.left_s() - LEEWAY_S:
            crosses = self._may_cross(target, planned)
            why = f"{target.name} comes to the end of this pier side"
            return Next(Phase.CROSSING, why) if crosses else Next(Phase.ACQUIRING, why)
        if end_s > self._programme.window_end_s(target):
            return Next(Phase.ACQUIRING, f"{target.name} leaves its window")
        return None

    def _failed_check(self, target: Target) -> str:
        """Why the sub that is looked at closely was rejected; empty when it was not, or not yet."""
        if not self._checked_uid:
            return ""
        night = str(self._programme.night)
        judged = self._ledger.frames(target=target.name, night=night)
        for frame in judged:
            if frame.uid == self._checked_uid:
                self._checked_uid = ""
                return frame.reason
        return ""

    def _look_ahead_s(self, target: Target) -> float:
        """Where to look in the plan: after a whole cycle half a step ahead, within one half back.

        So a target is left at the end of a cycle, where the plan, which sees no less than a step,
        does not mind.
        """
        filters = self._programme.cycle_filters(target, self._pending_s(target))
        uneven = unevenness(cycle_of(filters), self._taken_s(target, filters))
        return STEP_S / 2 if uneven < CYCLE_ENDS else -STEP_S / 2

    def _taken_s(self, target: Target, filters: Iterable[str]) -> dict[str, float]:
        """Seconds by filter that were accepted or have no verdict yet."""
        accepted_s, pending_s = self._ledger.accepted_s(target.name), self._pending_s(target)
        return {name: accepted_s.get(name, 0.0) + pending_s.get(name, 0.0) for name in filters}

    def _pending_s(self, target: Target) -> dict[str, float]:
        """Seconds by filter that were taken and have no verdict yet."""
        pending_s: dict[str, float] = {}
        for sub in self._pending(target):
            pending_s[sub.filter] = pending_s.get(sub.filter, 0.0) + sub.exposure_s
        return pending_s

    def _pending(self, target: Target) -> list[Sub]:
        """Its subs whose shutter has closed and that have no verdict yet."""
        return [sub for sub in self._ledger.in_flight(target.name) if sub.stage is not Stage.BEGUN]

    def _recent(self, target: Target, cycle: Cycle) -> list[Taken]:
        """Tonight's latest subs of a cycle's filters, those without a verdict last."""
        number = RECENT_CYCLES * sum(cycle.counts.values())
        judged = self._ledger.latest(target.name, str(self._programme.night), number)
        pending = [Taken(sub.filter, None) for sub in self._pending(target)]
        recent = [Taken(*one) for one in judged] + pending
        return [taken for taken in recent if taken.filter in cycle.counts]

    def _gap_s(self, planned: Planned) -> float:
        """Time until a sub could begin, when what comes before it takes as long as usual."""
        coming = [sub.filter for sub in self._pending(self.running) if sub.stage is Stage.CLOSED]
        last = coming[-1] if coming else planned.filter
        return self._weaving.costs.gap_s(last, planned.filter, planned.dither)

    def _may_cross(self, target: Target, planned: Planned) -> bool:
        """Whether the target goes on east of the pier, and nothing else is due until then."""
        pier = self._guard.pier
        if pier.side is not PierSide.WEST:
            return False
        if not self._programme.lacks(target, self._pending_s(target)):
            return False
        wait_s = max(0.0, self._programme.reaches_s(target, pier.changes_at_h)) + EDGE_S + LEEWAY_S
        from_s = self._clock.unix_s() + wait_s
        takes_s = crossing_cost_s(self._settings) + planned.exposure_s
        if not self._programme.stays_up(target, from_s, takes_s):
            return False
        if not pier.stands_still:
            return True
        halfway_s = (max(0.0, self._guard.left_s()) + wait_s) / 2
        meanwhile = self._programme.choose(target, self._pending_s(target), halfway_s)
        return meanwhile is None or meanwhile == target
