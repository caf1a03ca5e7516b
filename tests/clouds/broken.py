"""Seeded nights of broken cloud, judged by the simulated sky itself.

Sub verdicts come from the ledger; what stood before the stars, from the physics of the cloud alone.

What could be had is what the same rig would get that knew the clouds: whole subs of this length,
each with no more extinction in its mean than may be kept, and between two of them this night's mean
gap, with download, wheel, focuser and dithers in it as evenness and pointings ask for them. It
begins with the first sub, as the first taking up of the target takes none, and ends with the dark.
What knowing the clouds does not spare is left out: looks at the focus, and the way across the
meridian, at the times at which they were taken. A target that is centred anew is a loss.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clouds.account import Best, Stretch, best, lost_s
from night.nights import Story, demo, live
from nightloom.rehearsal import Rehearsal
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.physics.site import icrs_to_apparent
from nightloom_drivers.physics.sphere import unit
from nightloom_drivers.physics.world import World

EXTINCT_MAG = 0.3
"""More than this inside a sub is cloud that must not be kept."""

CLEAR_MAG = 0.1
"""A sub in which there was never more than this is clear: ten times the haze of the rig's air."""

EXPOSURE_S = 60.0
FILTERS = {"L": EXPOSURE_S, "R": EXPOSURE_S, "B": EXPOSURE_S}
NIGHTS = (date(2026, 11, 10), date(2026, 11, 26), date(2026, 11, 27), date(2026, 12, 8))
"""Without the Moon; with one that rises in the first hours; again; without."""

GRID_S = 0.25

UNAVOIDABLE = (e.FocusCurve, e.FocusChecked, e.Crossed)
"""What a rig that knows the clouds does as well, each with the time that it `took_s`."""

GAPS = "gaps other than the mean one"
"""A sub that was kept loses nothing but what its gap differs from the mean."""

CLOUD = "cloud"
"""Why a sub was cut when a hold began at that moment."""


@dataclass(frozen=True)
class Shot:
    """One sub: when its shutter was open, what became of it, and what stood before the stars."""

    start_s: float
    open_s: float
    fate: str
    """"accepted", "rejected" or "cut"."""
    reason: str
    for_cloud: bool
    """Whether it was cut or rejected for what the sky seemed to take of its light."""
    mean_mag: float
    most_mag: float


@dataclass(frozen=True)
class Outcome:
    """What one night came to."""

    seed: int
    shots: tuple[Shot, ...]
    waits_s: tuple[float, ...]
    """From the sky's clearing to the next sub, for holds that were guided throughout."""
    unguided_waits_s: tuple[float, ...]
    usable_s: float
    possible_s: float
    """What perfect knowledge of the clouds would have taken with the same gaps."""
    unfocused_s: float
    """What it would have taken, had no look at the focus been needed."""
    lost_s: dict[str, float]
    """By cause, what was not used of what was possible."""
    violations: tuple[str, ...]
    story: Story

    @property
    def clouded(self) -> list[Shot]:
        """Whole subs with more extinction than may be kept, and those that were cut."""
        return [one for one in self.shots if one.mean_mag > EXTINCT_MAG and _counts(one)]

    @property
    def missed(self) -> list[Shot]:
        """Accepted under cloud."""
        return [one for one in self.clouded if one.fate == "accepted"]

    @property
    def clear(self) -> list[Shot]:
        """Subs under a clear sky from end to end."""
        return [one for one in self.shots if one.most_mag < CLEAR_MAG and _counts(one)]

    @property
    def wronged(self) -> list[Shot]:
        """Clear, and all the same cut or rejected for cloud."""
        return [one for one in self.clear if one.for_cloud]


def _counts(shot: Shot) -> bool:
    """Whether it was the sky that decided, rather than a limit of the pier, or dawn."""
    return shot.fate != "cut" or shot.reason == CLOUD


def weather(seed: int, hours: float) -> tuple[dict[str, Any], ...]:
    """Banks of broken cloud with clear sky between them."""
    rng = np.random.default_rng(1000 + seed)
    banks, at_h = [], float(rng.uniform(-0.5, 0.5))
    while at_h < hours:
        for_h = float(rng.uniform(0.3, 1.5))
        banks.append(
            {
                "begin_h_after_dusk": at_h,
                "duration_h": for_h,
                "depth_mag": float(np.exp(rng.uniform(np.log(0.2), np.log(3.0)))),
                "contrast": float(rng.uniform(0.3, 1.0)),
                "patch_deg": float(rng.uniform(8.0, 25.0)),
                "drift_deg_per_min": float(rng.uniform(1.0, 6.0)),
            }
        )
        at_h += for_h + float(rng.uniform(0.1, 0.8))
    return tuple(banks)


def play(
    out: Path, seed: int, hours: float, policies: dict[str, dict[str, Any]] | None = None
) -> Outcome:
    """Let a night of broken cloud go by, and judge it."""
    worlds: list[World] = []

    async def keep(rig: SimulatedRig, clock: Clock) -> None:
        worlds.append(rig.world)

    changed = demo(
        targets=FILTERS, weather={"clouds": weather(seed, hours)}, policies=policies or {}
    )
    night = NIGHTS[seed % len(NIGHTS)]
    story = live(out, changed, hours=hours, seed=seed, meddler=keep, night=night)
    return judged(seed, story, worlds[0])


def judged(seed: int, story: Story, world: World) -> Outcome:
    """Hold a night's subs against its sky."""
    sky = _Sky(world, story.rehearsal)
    shots = tuple(_shots(story, sky))
    guided, unguided = _waits_s(story, sky)
    usable_s = sum(_got_s(one) for one in shots)
    gap_s = _mean_gap_s(story)
    most, unfocused = (_best(story, sky, gap_s, *kinds) for kinds in (UNAVOIDABLE, (e.Crossed,)))
    begin_s = shots[0].start_s
    return Outcome(
        seed,
        shots,
        guided,
        unguided,
        usable_s,
        most.from_s(begin_s),
        unfocused.from_s(begin_s),
        lost_s(most, begin_s, _stretches(story, shots, gap_s)),
        tuple(story.played.violations),
        story,
    )


def _got_s(shot: Shot) -> float:
    kept = shot.fate == "accepted" and shot.mean_mag <= EXTINCT_MAG
    return shot.open_s if kept else 0.0


class _Sky:
    """The extinction by cloud and haze before the target, second by second."""

    def __init__(self, world: World, rehearsal: Rehearsal) -> None:
        (target,) = rehearsal.settings.targets.targets
        self.begin_s = world.dusk_s - 1800.0
        grid = np.arange(self.begin_s, rehearsal.ends_s + 600.0, 5.0)
        place = unit(target.ra_deg, target.dec_deg)
        passed = []
        for at_s in grid.tolist():
            altitude, azimuth = world.site.altaz_deg(at_s, icrs_to_apparent(at_s, place))
            passed.append(world.clouds.transmission(at_s, float(altitude), float(azimuth)))
        self.times_s = np.arange(grid[0], grid[-1], GRID_S)
        self.share: NDArray[np.float64] = np.interp(self.times_s, grid, passed)
        self.mag = -2.5 * np.log10(self.share)

    def slice(self, start_s: float, for_s: float) -> slice:
        first = round((start_s - self.begin_s) / GRID_S)
        return slice(first, first + max(1, round(for_s / GRID_S)))


def _shots(story: Story, sky: _Sky) -> Iterator[Shot]:
    frames = {frame.uid: frame for frame in story.frames}
    cut = {one.uid: one for one in story.of(e.SubCancelled)}
    for at, begun in zip(story.at(e.SubBegun), story.of(e.SubBegun), strict=True):
        open_s = begun.exposure_s
        if begun.uid in cut:
            open_s, fate, reason = cut[begun.uid].open_s, "cut", cut[begun.uid].reason
            if any(abs(held - at - open_s) < 2.0 for held in story.at(e.CloudHold)):
                reason = CLOUD
        elif begun.uid in frames:
            fate, reason = str(frames[begun.uid].verdict), frames[begun.uid].reason
        else:
            continue
        for_cloud = frames[begun.uid].dim if begun.uid in frames else reason == CLOUD
        # a sub that was cut is judged by what it would have held
        here = sky.slice(at, begun.exposure_s)
        mean = -2.5 * np.log10(np.mean(sky.share[here]))
        yield Shot(at, open_s, fate, reason, for_cloud, float(mean), float(np.max(sky.mag[here])))


def _waits_s(story: Story, sky: _Sky) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """From the last moment of cloud before a sub that ends a hold, until it."""
    begun = story.at(e.SubBegun)
    guided: list[float] = []
    unguided: list[float] = []
    for held in story.at(e.CloudHold):
        following = next((at for at in begun if at > held), None)
        if following is None:
            continue
        between = sky.slice(held, following - held)
        cloudy = np.flatnonzero(sky.mag[between] > EXTINCT_MAG)
        if not len(cloudy):
            continue
        wait_s = following - held - GRID_S * float(cloudy[-1])
        broken = [at for at in story.at(e.StarsReleased) if held <= at < following]
        (unguided if broken else guided).append(wait_s)
    return tuple(guided), tuple(unguided)


def _best(story: Story, sky: _Sky, gap_s: float, *left_out: type[Any]) -> Best:
    """The most seconds that fit under the sky, without those of some kinds of work."""
    free = np.zeros(len(sky.times_s), bool)
    first = sky.slice(story.at(e.SubBegun)[0], GRID_S).start
    last = sky.slice(story.rehearsal.ends_s, GRID_S).start
    free[first:last] = True
    for kind in left_out:
        for at, one in zip(story.at(kind), story.of(kind), strict=True):
            free[sky.slice(at - one.took_s, one.took_s)] = False
    return best(
        sky.share,
        free,
        exposure_s=EXPOSURE_S,
        gap_s=gap_s,
        least=10 ** (-0.4 * EXTINCT_MAG),
        begin_s=sky.begin_s,
        step_s=GRID_S,
    )


def _stretches(story: Story, shots: tuple[Shot, ...], gap_s: float) -> Iterator[Stretch]:
    """The night from its first sub on: each sub, and what lay between it and the next."""
    starts_s = [shot.start_s for shot in shots[1:]]
    for shot, next_s in zip(shots, [*starts_s, story.rehearsal.ends_s + EXPOSURE_S], strict=True):
        ready_s = min(shot.start_s + EXPOSURE_S + gap_s, next_s)
        ended_s = shot.start_s + shot.open_s if shot.fate == "cut" else ready_s
        yield Stretch(ended_s, _got_s(shot), _cause(shot))
        held = [at for at in story.at(e.CloudHold) if shot.start_s < at <= next_s]
        clears = [at for at in story.at(e.CloudCleared) if shot.start_s < at <= next_s]
        if held:
            yield Stretch(max([ended_s, *clears]), 0.0, "held for clouds")
        yield Stretch(next_s, 0.0, _between(story, shot.start_s, next_s, bool(held)))


def _cause(shot: Shot) -> str:
    """What a loss by this sub is called."""
    if shot.fate == "cut":
        if shot.reason != CLOUD:
            return "cut, not for cloud"
        worth = shot.mean_mag <= EXTINCT_MAG
        return "cut, though worth its end" if worth else "begun in vain, or cut late"
    if shot.mean_mag > EXTINCT_MAG:
        return "taken to its end under cloud"
    if shot.fate == "accepted":
        return GAPS
    return "rejected, though thin enough" if shot.for_cloud else "rejected, not for cloud"


def _between(story: Story, from_s: float, to_s: float, held: bool) -> str:
    """What a loss between two subs is called."""
    seen = {
        kind
        for kind in (e.Centred, e.PointingFailed, *UNAVOIDABLE)
        if any(from_s < at <= to_s for at in story.at(kind))
    }
    if seen & {e.Centred, e.PointingFailed}:
        return "the target centred anew"
    if e.Crossed in seen:
        return "about the meridian"
    if seen:
        return "about looks at the focus"
    return "from a clear sky to the next sub" if held else GAPS


def _mean_gap_s(story: Story) -> float:
    """Between two subs with nothing but download, filter and dither between them."""
    breaks = [
        at
        for kind in (e.CloudHold, e.FocusCurve, e.FocusChecked, e.Crossed, e.SubCancelled)
        for at in story.at(kind)
    ]
    gaps = [
        after - before - EXPOSURE_S
        for before, after in pairwise(story.at(e.SubBegun))
        if not any(before < at < after for at in breaks)
    ]
    return float(np.mean(gaps)) if gaps else 5.0
