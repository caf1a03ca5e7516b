"""A minute in which a driver reads NaN: the night goes on, with the target it had."""

import asyncio
from pathlib import Path

import pytest

from night.nights import demo, live
from night.troubles import DUSK_S
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.rig import FOCUSER, MOUNT, WHEEL

NUMBERS = {
    FOCUSER: "ABS_FOCUS_POSITION",
    WHEEL: "FILTER_SLOT",
    MOUNT: "EQUATORIAL_EOD_COORD",
}


@pytest.mark.parametrize("device", NUMBERS)
@pytest.mark.parametrize("at_s", [150.0, 700.0], ids=["while acquiring", "while gathering"])
def test_a_minute_without_numbers_costs_minutes(tmp_path: Path, device: str, at_s: float) -> None:
    async def trouble(rig: SimulatedRig, clock: Clock) -> None:
        faults = Faults(rig.link, rig.simulators, rig.world, clock)
        await asyncio.sleep(DUSK_S + at_s)
        faults.no_numbers(device, NUMBERS[device])
        await asyncio.sleep(60.0)
        faults.heal(device)
        faults.simulator(device).publish(NUMBERS[device])

    changed = demo(targets=dict.fromkeys("RG", 30.0))
    story = live(tmp_path, changed, hours=0.5, meddler=trouble)
    assert story.played.violations == []
    assert story.of(e.UnexpectedError) == []
    assert "holding" not in [one.after for one in story.of(e.PhaseChanged)], "it is not the sky"
    begun_s = [0.0, *story.at(e.SubBegun)]
    from_s = story.rehearsal.starts_s + DUSK_S + at_s
    again_s = min(at for at in begun_s if at > from_s + 60.0)
    assert again_s - from_s < 600.0
    assert max(begun_s) > story.rehearsal.ends_s - 120.0
