"""Seeded nights of broken cloud, judged by the simulated sky itself.

Sub verdicts come from the ledger; what stood before the stars, from the physics of the cloud alone.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

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

GRID_S = 1.0

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
    usable_s = sum(
        one.open_s for one in shots if one.fate == "accepted" and one.mean_mag <= EXTINCT_MAG
    )
    violations = tuple(v for v in story.played.violations)
    return Outcome(
        seed, shots, guided, unguided, usable_s, _possible_s(story, sky), violations, story
    )


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


def _possible_s(story: Story, sky: _Sky) -> float:
    """The most seconds that fit under the sky by dynamic programming over the starts of subs.

    Between two subs lies the mean gap of the night, its dithers in it; focusing and the first
    taking up of the target are left out, as neither takes subs.
    """
    begun = story.at(e.SubBegun)
    gap_s = _mean_gap_s(story)
    free = np.zeros(len(sky.times_s), bool)
    first = sky.slice(begun[0], 1.0).start
    last = sky.slice(story.rehearsal.ends_s, 1.0).start
    free[first:last] = True
    for kind in (e.FocusCurve, e.FocusChecked, e.Crossed):
        for at, one in zip(story.at(kind), story.of(kind), strict=True):
            free[sky.slice(at - one.took_s, one.took_s)] = False
    lasts, step = round(EXPOSURE_S / GRID_S), round((EXPOSURE_S + gap_s) / GRID_S)
    share = np.concatenate([[0.0], np.cumsum(sky.share)])
    busy = np.concatenate([[0], np.cumsum(~free)])
    count = len(sky.times_s)
    best = np.zeros(count + step + 1)
    for i in range(count - lasts - 1, -1, -1):
        best[i] = best[i + 1]
        mean = (share[i + lasts] - share[i]) / lasts
        if busy[i + lasts] == busy[i] and -2.5 * np.log10(mean) <= EXTINCT_MAG:
            best[i] = max(best[i], EXPOSURE_S + best[i + step])
    return float(best[0])


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
