"""Rain at a moment of a seed: how long it is until the roof is closed, and what else was seen.

The moments are those in which a rig is busy with something else, or lacks something.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from nightloom.settings import Settings
from nightloom_drivers.link import State, Vector
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.rig import (
    CAMERA,
    DUST_CAP,
    FOCUSER,
    GUIDE_CAMERA,
    LIGHT_PANEL,
    MOUNT,
    ROOF,
    STATION,
    WHEEL,
)
from safety.evenings import (
    ACQUIRES_S,
    DARK_S,
    OPENS_S,
    Evening,
    Scene,
    at_hour_angle,
    evening,
)

RAINS_S = 4.0 * 3600.0

IN_THE_DARK_S = 420.0
"""Subs are taken at least so long in these nights before anything happens at random."""

MENDED_AFTER_S = 900.0

Draw = Callable[[float, float], float]
"""A number of the seed between two."""

Approach = Callable[[Scene, Draw], Awaitable[None]]
"""Goes up to the moment at which it begins to rain."""


GIVEN_UP_AFTER_S = 150.0
"""A night that has lost a device for good is given up, parked and closed, a little later."""


@dataclass(frozen=True)
class Outcome:
    """What came of one moment; `closed_s` is infinite when the roof was never closed in it.

    It counts from the first drop, or from the server's return when that is later.
    """

    seed: int
    moment: str
    closed_s: float
    findings: tuple[str, ...]


def reads(state: State) -> Callable[[Vector], bool]:
    """Whether a vector has come into a state."""
    return lambda vector: vector.state is state


async def slewing(scene: Scene, draw: Draw) -> None:
    await scene.vector(MOUNT, "EQUATORIAL_EOD_COORD", reads(State.BUSY))
    await asyncio.sleep(draw(0.0, 20.0))


async def crossing(scene: Scene, draw: Draw) -> None:
    """The first slew after subs from the west of the pier is the flip."""
    await asyncio.sleep(DARK_S)
    await slewing(scene, draw)


async def downloading(scene: Scene, draw: Draw) -> None:
    await asyncio.sleep(DARK_S + draw(0.0, IN_THE_DARK_S))
    await scene.downloading()
    await asyncio.sleep(draw(0.0, 1.2))


async def focusing(scene: Scene, draw: Draw) -> None:
    """The focuser's first motions are for a filter's offset; by the fourth it scans."""
    await asyncio.sleep(ACQUIRES_S)
    for _ in range(4):
        for state in (State.BUSY, State.OK):
            await scene.vector(FOCUSER, "ABS_FOCUS_POSITION", reads(state))
    await asyncio.sleep(draw(0.0, 60.0))


async def settling(scene: Scene, draw: Draw) -> None:
    """A pulse as long as this belongs to a dither."""
    await asyncio.sleep(DARK_S + draw(0.0, IN_THE_DARK_S / 2.0))
    await scene.pulsing(800.0)
    await asyncio.sleep(draw(0.0, 10.0))


async def opening(scene: Scene, draw: Draw) -> None:
    await scene.vector(ROOF, "DOME_PARK", lambda v: v.on("UNPARK") and v.state is State.BUSY)
    await asyncio.sleep(draw(0.0, 30.0))


async def closing(scene: Scene, draw: Draw) -> None:
    await asyncio.sleep(DARK_S)
    await scene.vector(ROOF, "DOME_PARK", lambda v: v.on("PARK") and v.state is State.BUSY)
    await asyncio.sleep(draw(0.0, 30.0))


async def holding(scene: Scene, draw: Draw) -> None:
    await asyncio.sleep(DARK_S + 60.0)
    scene.faults.cloud(for_s=RAINS_S)
    await asyncio.sleep(draw(300.0, 900.0))


async def waiting_closed(scene: Scene, draw: Draw) -> None:
    await asyncio.sleep(draw(60.0, OPENS_S))


async def waiting_ready(scene: Scene, draw: Draw) -> None:
    await asyncio.sleep(draw(OPENS_S, ACQUIRES_S))


async def acquiring(scene: Scene, draw: Draw) -> None:
    await asyncio.sleep(draw(ACQUIRES_S, DARK_S))


async def imaging(scene: Scene, draw: Draw) -> None:
    await asyncio.sleep(DARK_S + draw(0.0, IN_THE_DARK_S))


async def server_gone(scene: Scene, draw: Draw) -> None:
    await imaging(scene, draw)
    scene.begin(scene.faults.server_gone(draw(5.0, 150.0), reborn=draw(0.0, 1.0) < 0.7))
    await asyncio.sleep(draw(0.0, 60.0))


async def without(device: str, scene: Scene, draw: Draw) -> None:
    await imaging(scene, draw)
    scene.faults.dead(device)
    await asyncio.sleep(draw(0.0, GIVEN_UP_AFTER_S))


MOMENTS: Mapping[str, Approach] = {
    "in a slew": slewing,
    "in a flip": crossing,
    "in a download": downloading,
    "in a focus curve": focusing,
    "in a settle": settling,
    "while opening": opening,
    "while closing": closing,
    "holding under cloud": holding,
    "waiting, closed": waiting_closed,
    "waiting, ready": waiting_ready,
    "acquiring": acquiring,
    "in a sub": imaging,
    "the server just gone": server_gone,
    **{
        f"without {device}": partial(without, device)
        for device in (CAMERA, GUIDE_CAMERA, WHEEL, FOCUSER, STATION, LIGHT_PANEL, DUST_CAP)
    },
}
"""Every moment, by what goes on then; a seed takes them in turn."""


def run_moment(seed: int, out: Path) -> Outcome:
    """Let it rain at the seed's moment, in a night without frames on disk."""
    name = tuple(MOMENTS)[seed % len(MOMENTS)]
    approach, chance = MOMENTS[name], np.random.default_rng(seed)

    def draw(low: float, high: float) -> float:
        return float(chance.uniform(low, high))

    rained: list[float] = []

    async def trouble(scene: Scene) -> None:
        await approach(scene, draw)
        rained.append(scene.faults.rain(for_s=RAINS_S))

    seen = evening(
        out,
        trouble,
        hours=0.35 if approach is not holding else 0.5,
        changed=_sky(approach),
        mended_after_s=MENDED_AFTER_S,
        seed=seed + 1,
    )
    if not rained:
        return Outcome(seed, name, float("inf"), ("the moment never came",))
    return Outcome(seed, name, _closed_s(seen, rained[0]), tuple(seen.violations))


def _sky(approach: Approach) -> tuple[Settings, RigSettings]:
    """A target high in the east, or one that is about to cross."""
    return at_hour_angle(0.1 if approach is crossing else -2.0)


def _closed_s(seen: Evening, rained_s: float) -> float:
    """Seconds until the roof is closed from when it could be known that it must be."""
    back_s = next((m.at_s for m in seen.moments if m.at_s >= rained_s and m.linked), rained_s)
    try:
        return seen.closed_after(back_s)
    except AssertionError:
        return float("inf")
