"""The course of the running target: its pointings, which sub comes next, and when to leave it."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightloom.cycle import Cycle, Taken, cycles_done, next_sub, unevenness
from nightloom.ledger import Ledger
from nightloom.night.cycles import cycle_of
from nightloom.night.intake import Intake
from nightloom.night.phases import Next, Phase
from nightloom.night.programme import Programme
from nightloom.night.prospect import STEP_S
from nightloom.night.weaving import Weaving
from nightloom.settings import Settings, Target
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Mount, PierSide


@dataclass(frozen=True)
class Planned:
    """A sub that is due, and whether the pointing moves before it."""

    filter: str
    exposure_s: float
    dither: bool
    reason: str = ""


RECENT_CYCLES = 4
"""So many cycles of subs are looked back on: making up may take two cycles' time for one."""

CYCLE_ENDS = 1e-6
"""Unevenness below this, in cycles, is that of rounding: all filters have whole cycles."""


def uid_of(night: str, number: int) -> str:
    """The name of a night's frame in the ledger."""
    return f"{night}-{number:04d}"


def number_of(uid: str) -> int:
    """The number in such a name."""
    return int(uid.rpartition("-")[2])


class Course:
    """Decides from the tally, never from a counter, what is due on the running target."""

    def __init__(
        self,
        settings: Settings,
        programme: Programme,
        mount: Mount,
        ledger: Ledger,
        intake: Intake,
        clock: Clock,
    ) -> None:
        self._mount_settings = settings.observatory.mount
        self._make_up_cycles = settings.policies.cycle.make_up_cycles
        self._weaving = Weaving(settings, ledger)
        self._programme, self._mount = programme, mount
        self._ledger, self._intake, self._clock = ledger, intake, clock
        tonight = ledger.frames(night=str(programme.night))
        self._number = max((number_of(frame.uid) for frame in tonight), default=0)
        self._offsets: dict[str, list[tuple[float, float]]] = {}
        self._target: Target | None = None
        self._taken_here: set[str] = set()
        self._downloading: Planned | None = None
        self.cycle = 1

    @property
    def running(self) -> Target:
        """The target that was centred last. Raises RuntimeError before the first."""
        if self._target is None:
            raise RuntimeError("no target is running")
        return self._target

    @property
    def pointing(self) -> int:
        """Number of the present pointing on the running target tonight."""
        return len(self._offsets[self.running.name])

    def run(self, target: Target) -> None:
        """A target was centred: its course begins, or goes on, at a pointing of its own."""
        self._target = target
        self._taken_here.clear()
        self._offsets.setdefault(target.name, []).append((0.0, 0.0))

    def dithered(self, offset_px: tuple[float, float]) -> None:
        """The pointing moved."""
        self._offsets[self.running.name].append(offset_px)
        self._taken_here.clear()

    def offsets_px(self) -> NDArray[np.float64]:
        """Tonight's pointings on the running target, (n, 2), the present one last."""
        return np.array(self._offsets[self.running.name])

    def next_number(self) -> int:
        """The number of the next sub of this night."""
        self._number += 1
        return self._number

    def shutter_closed(self, planned: Planned) -> None:
        """A sub was taken at the present pointing; its frame is on the way."""
        self._taken_here.add(planned.filter)
        self._downloading = planned

    def frame_arrived(self) -> None:
        """The frame that was on the way is in the intake, or will never come."""
        self._downloading = None

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

    def ending(self) -> Next | None:
        """Why no other sub of this target may begin now; None when one may."""
        target, now_s = self.running, self._clock.unix_s()
        end_s = now_s + self._weaving.costs.dither_s + self.planned().exposure_s
        if end_s > self._programme.dark.end_unix_s:
            return Next(Phase.RETIRING, "no sub fits before dawn")
        chosen = self._programme.choose(target, self._pending_s(target), self._look_ahead_s(target))
        if chosen is None:
            return Next(Phase.READYING, f"{target.name} is done, and nothing else is up")
        if end_s > self._programme.window_end_s(target):
            return Next(Phase.ACQUIRING, f"{target.name} leaves its window")
        if chosen.name != target.name:
            return Next(Phase.ACQUIRING, f"{chosen.name} goes before {target.name}")
        if self._must_cross(target, end_s):
            return Next(Phase.CROSSING, f"{target.name} comes to the end of this pier side")
        return None

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
        pending_s = self._intake.pending_s(target.name)
        if self._downloading is not None:
            name = self._downloading.filter
            pending_s[name] = pending_s.get(name, 0.0) + self._downloading.exposure_s
        return pending_s

    def _recent(self, target: Target, cycle: Cycle) -> list[Taken]:
        """Tonight's latest subs of a cycle's filters, those without a verdict last."""
        number = RECENT_CYCLES * sum(cycle.counts.values())
        judged = self._ledger.latest(target.name, str(self._programme.night), number)
        pending = [taken.filter for taken in self._intake.pending if taken.target == target.name]
        if self._downloading is not None:
            pending.append(self._downloading.filter)
        recent = [Taken(*one) for one in judged] + [Taken(name, None) for name in pending]
        return [taken for taken in recent if taken.filter in cycle.counts]

    def _must_cross(self, target: Target, end_s: float) -> bool:
        """Whether a sub that ends then would pass the hour angle allowed on this side."""
        if not self._mount_settings.needs_flip or self._mount.pier_side is not PierSide.WEST:
            return False
        _, last_h = self._mount_settings.hour_angle_pier_west_h
        return self._programme.hour_angle_h(target, end_s) > last_h
