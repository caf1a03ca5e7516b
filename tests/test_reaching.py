"""The server may go while the devices are looked at: then they are looked at anew."""

import asyncio
from dataclasses import replace
from typing import Any

import pytest

from night.nights import demo
from nightloom.reaching import LOOKS_MAX, device_problems
from nightloom.rig import simulated_rig
from nightloom.settings import Settings
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.link import LoopbackLink
from nightloom_drivers.virtual_loop import run_virtual

AWAY_S = 300.0


def with_a_camera_that_is_not_there() -> Settings:
    """It is waited for, so that something can happen meanwhile."""
    settings, _ = demo()
    camera = settings.observatory.camera.model_copy(update={"device": "Camera"})
    return replace(settings, observatory=settings.observatory.model_copy(update={"camera": camera}))


@pytest.mark.parametrize("stopped", [False, True], ids=["comes back", "a person asks for the end"])
def test_a_server_that_goes_meanwhile_is_waited_for(stopped: bool) -> None:
    async def work() -> None:
        rig = simulated_rig(demo()[1], LoopClock(1_794_340_800.0), seed=1)
        stop, settings = asyncio.Event(), with_a_camera_that_is_not_there()
        async with rig.link as link:
            looking = asyncio.create_task(device_problems(settings, link, stop))
            await asyncio.sleep(1.0)
            rig.link.disconnect()
            await asyncio.sleep(AWAY_S)
            assert not looking.done()
            if stopped:
                stop.set()
            else:
                rig.link.reconnect()
            assert [one.key for one in await looking] == ([] if stopped else ["camera.device"])

    run_virtual(work())


class Flighty(LoopbackLink):
    """Its devices go whenever they are looked at, while the server stays."""

    looks = 0

    async def wait(self, device: str, name: str, *_: Any, **__: Any) -> Any:
        self.looks += device == "Rig Camera"
        raise DeviceGone(device, name, asked="an answer", seen="it was removed")


def test_a_device_that_goes_each_time_it_is_looked_at_is_told() -> None:
    async def work() -> None:
        async with Flighty([]) as link:
            with pytest.raises(DeviceGone):
                await device_problems(demo()[0], link, asyncio.Event())
            assert link.looks == LOOKS_MAX

    run_virtual(work())
