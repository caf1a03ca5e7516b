"""The course of the running target: its pointings, which sub comes next, and when to leave it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightloom.cycle import (
    Cycle,
    GapCosts,
    Share,
    Weave,
    cycles_done,
    lower_bound_s,
    next_sub,
    weave,
)
from nightloom.ledger import Ledger
from nightloom.night.intake import Intake
from nightloom.night.phases import Next, Phase
from nightloom.night.programme import Programme
from nightloom.settings import Settings, Target
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Mount, PierSide


@dataclass(frozen=True)
class Planned:
    """A sub that is due, and whether the pointing moves before it."""

    filter: str
    exposure_s: float
    dither: bool


def cycle_of(target: Target) -> Cycle:
    """A target's cycle, as the rules know it."""
    return Cycle(
        tuple(Share(name, sub.share, sub.exposure_s) for name, sub in target.filters.items())
    )


def costs_of(settings: Settings) -> GapCosts:
    """What a gap is expected to cost."""
    said = settings.observatory.costs
    return GapCosts(said.download_s, said.wheel_change_s, said.dither_s)


def bound_fraction(settings: Settings, target: Target) -> float:
    """The largest part of its time that a cycle of the target can keep the shutter open."""
    cycle = cycle_of(target)
    least_s = lower_bound_s(cycle.counts, costs_of(settings))
    return cycle.exposure_s / (cycle.exposure_s + least_s)


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
        self._costs = costs_of(settings)
        self._programme, self._mount = programme, mount
        self._ledger, self._intake, self._clock = ledger, intake, clock
        self._number = len(ledger.frames(night=str(programme.night)))
        self._offsets: dict[str, list[tuple[float, float]]] = {}
        self._weaves: dict[str, Weave] = {}
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
        cycle = cycle_of(target)
        accepted_s, pending_s = self._ledger.accepted_s(target.name), self._pending_s(target)
        taken_s = {
            name: accepted_s.get(name, 0.0) + pending_s.get(name, 0.0) for name in target.filters
        }
        self.cycle = cycles_done(cycle, taken_s) + 1
        due = next_sub(
            cycle,
            self._weave(target, cycle),
            accepted_s,
            pending_s,
            self._taken_here,
        )
        return Planned(due.filter, target.filters[due.filter].exposure_s, due.dither_before)

    def ending(self) -> Next | None:
        """Why no other sub of this target may begin now; None when one may."""
        target, now_s = self.running, self._clock.unix_s()
        end_s = now_s + self._costs.dither_s + self.planned().exposure_s
        if end_s > self._programme.dark.end_unix_s:
            return Next(Phase.RETIRING, "no sub fits before dawn")
        chosen = self._programme.choose(target, self._pending_s(target))
        if chosen is None:
            return Next(Phase.READYING, f"{target.name} is done, and nothing else is up")
        if end_s > self._programme.window_end_s(target):
            return Next(Phase.ACQUIRING, f"{target.name} leaves its window")
        if chosen.name != target.name and not self._taken_here:
            return Next(Phase.ACQUIRING, f"{chosen.name} goes before {target.name}")
        if self._must_cross(target, end_s):
            return Next(Phase.CROSSING, f"{target.name} comes to the end of this pier side")
        return None

    def _pending_s(self, target: Target) -> dict[str, float]:
        """Seconds by filter that were taken and have no verdict yet."""
        pending_s = self._intake.pending_s(target.name)
        if self._downloading is not None:
            name = self._downloading.filter
            pending_s[name] = pending_s.get(name, 0.0) + self._downloading.exposure_s
        return pending_s

    def _must_cross(self, target: Target, end_s: float) -> bool:
        """Whether a sub that ends then would pass the hour angle allowed on this side."""
        if not self._mount_settings.needs_flip or self._mount.pier_side is not PierSide.WEST:
            return False
        _, last_h = self._mount_settings.hour_angle_pier_west_h
        return self._programme.hour_angle_h(target, end_s) > last_h

    def _weave(self, target: Target, cycle: Cycle) -> Weave:
        if target.name not in self._weaves:
            self._weaves[target.name] = weave(cycle.counts, self._costs)
        return self._weaves[target.name]
