"""Nights with everyday trouble at random moments: what a rig must live through and go on.

Each trouble is done to the simulated rig from outside, beside the night.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from night.nights import Story, demo, live
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.link import State, Value
from nightloom_drivers.simulators.mount import MountSimulator
from nightloom_drivers.simulators.simulator import everything

DUSK_S = 3300.0
"""From the daemon's waking to the dark, on the demo observatory."""

CLOUD_H = 0.02
"""A small cloud: the guide stars are gone for a minute."""

GUST_S = 10.0

LEFT_S = 1200.0
"""A quarter of an hour is the shortest window that a target is taken up for."""


@dataclass(frozen=True)
class Troubles:
    """When each trouble comes, in seconds after the dark begins."""

    cloud_s: float
    gust_s: float
    pulse_s: float
    slew_s: float

    @classmethod
    def of(cls, seed: int, night_s: float) -> "Troubles":
        """Moments of a seed, anywhere but in the last minutes, when no new beginning pays."""
        chosen = np.random.default_rng(seed).uniform(0.0, night_s - LEFT_S, 4)
        return cls(*map(float, chosen))


def mount_of(rig: SimulatedRig) -> MountSimulator:
    """The simulated mount behind a loopback."""
    mount = rig.simulator("Rig Mount")
    assert isinstance(mount, MountSimulator)
    return mount


async def gust(rig: SimulatedRig, clock: Clock, at_s: float) -> None:
    """Knock the telescope about by several arcseconds for a while, as wind does."""
    mount = rig.world.mount
    await asyncio.sleep(at_s)
    for number in range(int(GUST_S)):
        way = ("east", "north", "west", "south")[number % 4]
        mount.pulse(clock.unix_s(), way, 1000.0)  # type: ignore[arg-type]
        await asyncio.sleep(1.0)


async def refuse_a_pulse(rig: SimulatedRig, at_s: float) -> None:
    """Turn the next pulse down."""
    mount = mount_of(rig)

    def moody(name: str, _: Mapping[str, Value]) -> bool:
        refused = name.startswith("TELESCOPE_TIMED_GUIDE")
        if refused:
            mount.hears = everything
            mount.publish(name, State.ALERT)
        return not refused

    await asyncio.sleep(at_s)
    mount.hears = moody


async def stick_a_slew(rig: SimulatedRig, at_s: float) -> None:
    """Have the next slew ignored, and ask for one by losing the place of the mount.

    The link is cut for a moment, so that the night makes its rig ready and slews anew.
    """
    mount = mount_of(rig)

    def stuck(name: str, _: Mapping[str, Value]) -> bool:
        ignored = name == "EQUATORIAL_EOD_COORD" and mount.choice("ON_COORD_SET") == "TRACK"
        if ignored:
            mount.hears = everything
        return not ignored

    await asyncio.sleep(at_s)
    mount.hears = stuck
    rig.link.disconnect()
    await asyncio.sleep(5.0)
    rig.link.reconnect()


def troubled_night(out: Path, seed: int, hours: float) -> tuple[Troubles, Story]:
    """A night of short subs with all four troubles at moments of the seed."""
    troubles = Troubles.of(seed, 3600.0 * hours)

    async def trouble(rig: SimulatedRig, clock: Clock) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(gust(rig, clock, DUSK_S + troubles.gust_s))
            group.create_task(refuse_a_pulse(rig, DUSK_S + troubles.pulse_s))
            group.create_task(stick_a_slew(rig, DUSK_S + troubles.slew_s))

    cloud = {
        "begin_h_after_dusk": troubles.cloud_s / 3600.0,
        "duration_h": CLOUD_H,
        "depth_mag": 8.0,
        "contrast": 0.0,
    }
    changed = demo(targets=dict.fromkeys("RGB", 30.0), weather={"clouds": (cloud,)})
    return troubles, live(out, changed, hours=hours, seed=seed, meddler=trouble)


def complaints(story: Story) -> list[str]:
    """What is wrong with a troubled night; empty when it went on to its end."""
    wrong = list(story.played.violations)
    if story.of(e.UnexpectedError):
        wrong.append(f"a mistake: {story.of(e.UnexpectedError)[0].text}")
    retired = [one.reason for one in story.of(e.PhaseChanged) if one.after == "retiring"]
    if retired not in (
        ["no sub fits before dawn"],
        ["the dark hours are over"],
        ["no sub fits before the hours asked for are over"],
        ["the hours asked for are over"],
    ):
        wrong.append(f"it retired because of {retired}")
    end_s = story.rehearsal.ends_s
    last_s = max(story.at(e.SubBegun), default=0.0)
    if end_s - last_s > 300.0:
        wrong.append(f"no sub in its last {(end_s - last_s) / 60:.0f} min")
    return wrong
