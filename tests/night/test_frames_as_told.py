"""Frames whose headers give times that cannot be: the night keeps what is its own, and says so."""

import asyncio
from datetime import timedelta
from pathlib import Path

import pytest

from night.nights import Story, demo, live
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock
from nightloom_drivers.simulators.faults import Faults
from nightloom_drivers.simulators.rig import CAMERA, GUIDE_CAMERA

SHORT = {"R": 60.0, "G": 60.0}
GATHERING_S = 3900.0
"""Into the night: its subs are under way."""

LATER_S = 18.0


@pytest.fixture(scope="module")
def misdated(tmp_path_factory: pytest.TempPathFactory) -> Story:
    """While subs are taken, the camera's frames begin 18 s later by their headers; a guide frame
    says that it was exposed for as long as a sub.
    """

    async def misdate(rig: SimulatedRig, clock: Clock) -> None:
        faults = Faults(rig.link, rig.simulators, rig.world, clock)
        await asyncio.sleep(GATHERING_S)
        faults.misdated(times=1000, device=CAMERA, later_s=LATER_S)
        faults.misdated(device=GUIDE_CAMERA, exposure_s=60.0)
        await asyncio.get_running_loop().create_future()

    folder: Path = tmp_path_factory.mktemp("misdated")
    undisturbed = {"focus": {"false_alarms_per_night": 1e-9}}
    changed = demo(targets=SHORT, policies=undisturbed)
    return live(folder, changed, hours=0.3, meddler=misdate)


def test_frames_are_dated_by_ones_own_clock_and_it_is_said_once(misdated: Story) -> None:
    assert misdated.played.violations == []
    begun = {event.uid: utc for utc, event in misdated.events if isinstance(event, e.SubBegun)}
    assert len(misdated.frames) >= 8
    for frame in misdated.frames:
        assert abs(frame.start_utc - begun[frame.uid]) < timedelta(seconds=1), frame.uid
    (told,) = misdated.of(e.FrameTimesDoubted)
    assert told.device == CAMERA
    assert "in the future" in told.seen


def test_one_guide_frame_that_is_nobodys_ends_no_sub(misdated: Story) -> None:
    assert misdated.of(e.SubCancelled) == []
    troubles = misdated.of(e.DeviceTrouble)
    assert [(one.device, one.kind) for one in troubles] == [(GUIDE_CAMERA, "contradicts itself")]
    assert "EXPTIME is 60 s" in troubles[0].seen
