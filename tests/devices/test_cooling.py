"""The cooler of a driver that has no ramp of its own: it is led there in steps."""

import asyncio
import itertools
from collections.abc import Mapping

import pytest

from devices.misbehaving import CLOCK, Scripted, numbers, switches, tell
from nightloom_drivers.devices.cooling import CooledDevice
from nightloom_drivers.errors import DeviceIncapable, DeviceLate, DeviceRefused
from nightloom_drivers.link import Link, State, Value

TEMPERATURE, CELSIUS = "CCD_TEMPERATURE", "CCD_TEMPERATURE_VALUE"


def cooler(coldest_c: float = -40.0, warmest_c: float = 12.0) -> Scripted:
    """A cooler at 10 °C that follows at once, as far as it can."""

    async def follow(device: Scripted, asked: Mapping[str, Value]) -> None:
        device.publish(TEMPERATURE, State.BUSY)
        await asyncio.sleep(1)
        reached_c = min(max(float(asked[CELSIUS]), coldest_c), warmest_c)
        there = reached_c == asked[CELSIUS]
        device.publish(TEMPERATURE, State.OK if there else State.BUSY, **{CELSIUS: reached_c})

    async def switch(device: Scripted, asked: Mapping[str, Value]) -> None:
        on = asked["COOLER_ON"] is True
        device.publish("CCD_COOLER", State.BUSY if on else State.IDLE, **asked)

    return Scripted(
        numbers(TEMPERATURE, {CELSIUS: 10.0}, (-50, 50)),
        switches("CCD_COOLER", "COOLER_ON", "COOLER_OFF", on="COOLER_OFF"),
        numbers("CCD_COOLER_POWER", {"COOLER_POWER": 33.0}),
        CCD_TEMPERATURE=follow,
        CCD_COOLER=switch,
    )


def test_the_set_point_never_moves_faster_than_asked() -> None:
    device = cooler()

    async def story(link: Link) -> None:
        camera = CooledDevice(link, "Odd", CLOCK)
        await camera.connect()
        begun_s = asyncio.get_running_loop().time()
        await camera.cool(-10.0, ramp_c_per_min=2.0)
        assert camera.temperature_c == -10
        assert camera.cooler_power_percent == 33
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(600, abs=20)
        points = [10.0, *(float(asked[CELSIUS]) for asked in device.requests(TEMPERATURE))]
        steps = [before - after for before, after in itertools.pairwise(points)]
        assert max(steps) <= 0.5 + 1e-9
        assert points[-1] == -10

    tell(device, story)


def test_a_target_out_of_reach_is_late() -> None:
    async def story(link: Link) -> None:
        camera = CooledDevice(link, "Odd", CLOCK)
        await camera.connect()
        with pytest.raises(DeviceLate, match="CCD_TEMPERATURE_VALUE=-5"):
            await camera.cool(-10.0, ramp_c_per_min=2.0)
        with pytest.raises(DeviceRefused, match="-50 to 50"):
            await camera.cool(-60.0, ramp_c_per_min=200.0)

    tell(cooler(coldest_c=-5.0), story)


def test_a_sensor_in_cold_air_is_kept_from_becoming_warm_and_not_waited_for() -> None:
    device = cooler()

    async def story(link: Link) -> None:
        camera = CooledDevice(link, "Odd", CLOCK)
        await camera.connect()
        assert camera.is_below(20.0)
        assert not camera.is_below(10.2), "at its set point, as near as coolers regulate"
        begun_s = asyncio.get_running_loop().time()
        await camera.keep_below(20.0)
        assert asyncio.get_running_loop().time() - begun_s < 5.0
        assert camera.need("CCD_COOLER").on("COOLER_ON")
        await asyncio.sleep(1.0)
        assert [float(asked[CELSIUS]) for asked in device.requests(TEMPERATURE)] == [20.0]

    tell(device, story)


def test_warming_ends_with_the_cooler_off_though_the_air_is_colder() -> None:
    async def story(link: Link) -> None:
        camera = CooledDevice(link, "Odd", CLOCK)
        await camera.connect()
        await camera.cool(0.0, ramp_c_per_min=4.0)
        await camera.warm(ramp_c_per_min=4.0)
        assert camera.temperature_c == 12
        assert camera.need("CCD_COOLER").on("COOLER_OFF")

    tell(cooler(), story)


def test_a_camera_without_a_cooler_has_no_temperature() -> None:
    async def story(link: Link) -> None:
        camera = CooledDevice(link, "Odd", CLOCK)
        await camera.connect()
        assert camera.temperature_c is camera.cooler_power_percent is None
        with pytest.raises(DeviceIncapable, match="it has no such property"):
            await camera.cool(-10, ramp_c_per_min=2)

    tell(Scripted(), story)
