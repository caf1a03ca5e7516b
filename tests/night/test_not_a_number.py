"""Drivers that report NaN for a minute: nothing rests on it, and nothing ends for it."""

import asyncio
from datetime import datetime
from pathlib import Path

import pytest

from night.nights import SELDOM_S, demo, live
from night.troubles import DUSK_S
from nightloom.rig import SimulatedRig
from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.simulators.faults import Faults

NAN_S = 60.0


@pytest.mark.parametrize(
    "device",
    [
        "Rig Focuser",
        *(
            pytest.param(name, marks=pytest.mark.long)
            for name in ("Rig Wheel", "Rig Mount", "Rig Camera")
        ),
    ],
)
def test_a_minute_of_it_costs_a_few_subs_at_most(tmp_path: Path, device: str) -> None:
    """Of any device, in the middle of subs: the night goes on with the same target."""

    async def no_numbers(rig: SimulatedRig, clock: Clock) -> None:
        faults = Faults(rig.link, rig.simulators, rig.world, clock)
        await asyncio.sleep(DUSK_S + 700.0)
        faults.not_a_number(device)
        await asyncio.sleep(NAN_S)
        faults.heal(device)

    story = live(
        tmp_path,
        demo(targets=dict.fromkeys("RGB", 30.0), guide_s=SELDOM_S),
        hours=0.5,
        meddler=no_numbers,
    )
    assert story.played.violations == []
    assert not story.of(e.UnexpectedError)
    fault_s = story.rehearsal.starts_s + DUSK_S + 700.0
    begun = [at for at in story.at(e.SubBegun) if at > fault_s + NAN_S]
    assert begun
    assert begun[0] < fault_s + NAN_S + 180.0
    assert len(story.of(e.FrameRejected)) + len(story.of(e.SubCancelled)) <= 4


def test_a_mount_that_does_not_know_where_it_is_sets_no_target_aside(tmp_path: Path) -> None:
    """In the middle of the first slew: the target is come to once the mount knows again."""
    chosen = asyncio.Event()

    async def no_numbers(rig: SimulatedRig, clock: Clock) -> None:
        faults = Faults(rig.link, rig.simulators, rig.world, clock)
        await chosen.wait()
        await asyncio.sleep(5.0)
        faults.not_a_number("Rig Mount")
        await asyncio.sleep(NAN_S)
        faults.heal("Rig Mount")

    def listen(_: datetime, event: Event) -> None:
        if isinstance(event, e.TargetChosen):
            chosen.set()

    story = live(
        tmp_path,
        demo(targets=dict.fromkeys("RGB", 30.0), guide_s=SELDOM_S),
        hours=0.4,
        meddler=no_numbers,
        listener=listen,
    )
    assert story.played.violations == []
    assert not story.of(e.UnexpectedError)
    assert story.at(e.SubBegun)[0] < story.at(e.TargetChosen)[0] + NAN_S + 600.0
