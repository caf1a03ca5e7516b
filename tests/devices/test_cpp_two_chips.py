"""A real driver with two chips, INDI's own C++ simulator, while both of them expose.

It keeps one set of times, so that now and then it writes the EXPTIME of the one chip into the
other's frame, about one frame of the main chip in four here. That may cost no frame.
"""

import asyncio
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import pytest

from devices.test_cpp_simulators import with_simulators
from nightloom_drivers.clock import WallClock
from nightloom_drivers.devices import Camera, CameraSettings
from nightloom_drivers.devices.exposure import CameraFrame
from nightloom_drivers.link.link import Link

pytestmark = pytest.mark.servers

SUB_S, GUIDE_S, SUBS = 2.0, 0.4, 4
CLOCK = WallClock()

Taken = list[tuple[datetime, CameraFrame]]
"""Frames, each with when its exposure was asked for."""


def check(taken: Sequence[tuple[datetime, CameraFrame]], shape: tuple[int, int]) -> None:
    """Every frame is this chip's, and dated by its own exposure; what it doubts is a length."""
    for asked, frame in taken:
        assert frame.data.shape == shape
        assert abs((frame.start - asked).total_seconds()) < 0.35
        assert frame.doubt == "" or "EXPTIME is" in frame.doubt or "DATE-OBS" in frame.doubt


def test_both_chips_expose_beside_each_other_and_no_frame_is_lost(tmp_path: Path) -> None:
    async def story(link: Link) -> None:
        main = Camera(link, "CCD Simulator", CameraSettings(), CLOCK)
        guide = Camera(link, "CCD Simulator", CameraSettings(chip="guide"), CLOCK)
        await main.connect()
        await guide.connect()
        subs: Taken = []
        guided: Taken = []

        async def guiding() -> None:
            while len(subs) < SUBS:
                asked = CLOCK.now()
                guided.append((asked, await guide.expose(GUIDE_S)))

        async with asyncio.TaskGroup() as group:
            group.create_task(guiding())
            for _ in range(SUBS):
                exposure, asked = await main.begin(SUB_S), CLOCK.now()
                subs.append((asked, await exposure.frame()))
        check(subs, (main.info.height, main.info.width))
        check(guided, (guide.info.height, guide.info.width))
        assert main.info != guide.info
        assert len(guided) > SUBS
        assert main.discarded == guide.discarded == 0

    with_simulators(tmp_path, ["indi_simulator_ccd"], story)
