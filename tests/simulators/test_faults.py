"""What goes wrong with the simulated rig on purpose does so as its list says, and heals."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass

import pytest

from nightloom.frames.image import picture
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices.fits_image import open_image
from nightloom_drivers.errors import DeviceGone, DeviceLate
from nightloom_drivers.link import LoopbackLink, State, Value, Vector
from nightloom_drivers.physics.world import World
from nightloom_drivers.simulators.faults import CONNECT, PARKED, UNPARKED, Faults
from nightloom_drivers.simulators.rig import (
    CAMERA,
    DUST_CAP,
    GUIDE_CAMERA,
    MOUNT,
    ROOF,
    STATION,
    WHEEL,
    build_rig,
)
from nightloom_drivers.virtual_loop import run_virtual
from simulators.on_loopback import SETTINGS, START_S

OPEN: Mapping[str, Value] = {"SHUTTER_OPEN": True, "SHUTTER_CLOSE": False}
CLOSE: Mapping[str, Value] = {"SHUTTER_OPEN": False, "SHUTTER_CLOSE": True}
SECOND: Mapping[str, Value] = {"CCD_EXPOSURE_VALUE": 1.0}


@dataclass(frozen=True)
class Bench:
    """A rig with its faults, and what a client does with it."""

    link: LoopbackLink
    world: World
    clock: LoopClock
    faults: Faults

    async def connect(self, device: str, needed: str) -> None:
        await self.link.wait(device, "CONNECTION", lambda _: True, timeout_s=5)
        self.link.set(device, "CONNECTION", CONNECT)
        await self.link.wait(device, needed, lambda _: True, timeout_s=5)
        await asyncio.sleep(0.1)

    async def ask(
        self, device: str, name: str, values: Mapping[str, Value], within_s: float = 120.0
    ) -> State:
        """Send a request; the state in which the vector ends, Busy when it never does."""
        sent = self.link.set(device, name, values)
        try:
            ended = await self.link.wait(
                device, name, lambda v: v.state != State.BUSY, after=sent, timeout_s=within_s
            )
        except DeviceLate:
            return State.BUSY
        return ended.state

    def seen(self, device: str, name: str) -> Vector:
        vector = self.link.get(device, name)
        assert vector is not None
        return vector

    @property
    def roof(self) -> float:
        """How far the roof is open in truth."""
        return self.world.roof.position(self.clock.unix_s())


@asynccontextmanager
async def bench() -> AsyncIterator[Bench]:
    """The whole rig, with mount and roof connected, unparked, tracking and open."""
    clock = LoopClock(START_S)
    rig = build_rig(SETTINGS, clock, seed=7)
    async with LoopbackLink(rig.simulators) as link:
        bench = Bench(link, rig.world, clock, Faults(link, rig.simulators, rig.world, clock))
        await bench.connect(MOUNT, "TELESCOPE_PARK")
        await bench.connect(ROOF, "DOME_SHUTTER")
        await bench.ask(ROOF, "DOME_SHUTTER", OPEN)
        await bench.ask(MOUNT, "TELESCOPE_PARK", UNPARKED)
        link.set(MOUNT, "TELESCOPE_TRACK_STATE", {"TRACK_ON": True, "TRACK_OFF": False})
        await asyncio.sleep(1)
        assert rig.world.mount.is_tracking(clock.unix_s())
        assert bench.roof == 1.0
        yield bench


def test_a_dead_driver_is_gone_and_its_hardware_goes_on() -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.dead(MOUNT)
            with pytest.raises(DeviceGone):
                b.link.set(MOUNT, "TELESCOPE_PARK", PARKED)
            b.link.disconnect()
            b.link.reconnect()
            await asyncio.sleep(60)
            assert MOUNT not in b.link.devices()
            assert b.world.mount.is_tracking(b.clock.unix_s())
            b.faults.heal(MOUNT)
            await b.connect(MOUNT, "TELESCOPE_PARK")
            assert await b.ask(MOUNT, "TELESCOPE_PARK", PARKED) == State.OK
            assert b.world.mount.is_parked(b.clock.unix_s())

    run_virtual(scenario())


def test_a_deaf_driver_answers_nothing_and_still_reports() -> None:
    async def scenario() -> None:
        async with bench() as b:
            await b.connect(STATION, "WEATHER_REFRESH")
            b.faults.deaf(STATION)
            refresh: Mapping[str, Value] = {"REFRESH": True}
            asked = b.link.set(STATION, "WEATHER_REFRESH", refresh)
            await asyncio.sleep(61)
            assert b.seen(STATION, "WEATHER_REFRESH").serial <= asked
            assert b.seen(STATION, "WEATHER_PARAMETERS").serial > asked
            b.faults.heal(STATION)
            assert await b.ask(STATION, "WEATHER_REFRESH", refresh) == State.OK

    run_virtual(scenario())


def test_a_refusal_is_of_one_property_only() -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.refuses(ROOF, "DOME_SHUTTER")
            assert await b.ask(ROOF, "DOME_SHUTTER", CLOSE) == State.ALERT
            assert b.roof == 1.0
            assert await b.ask(ROOF, "DOME_PARK", PARKED) == State.OK
            assert b.roof == 0.0

    run_virtual(scenario())


def test_a_driver_born_again_is_disconnected_over_the_same_hardware() -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.reborn(ROOF)
            await asyncio.sleep(0.1)
            assert not b.seen(ROOF, "CONNECTION").on("CONNECT")
            assert b.link.get(ROOF, "DOME_SHUTTER") is None
            await b.connect(ROOF, "DOME_SHUTTER")
            assert b.seen(ROOF, "DOME_SHUTTER").on("SHUTTER_OPEN")
            assert b.roof == 1.0

    run_virtual(scenario())


def test_a_roof_that_says_closed_is_open_until_it_is_told() -> None:
    """As INDI's dome simulator, which reads closed and Ok at connecting without knowing."""

    async def scenario() -> None:
        async with bench() as b:
            b.faults.reborn(ROOF, says_closed=True)
            await b.connect(ROOF, "DOME_SHUTTER")
            said = b.seen(ROOF, "DOME_SHUTTER")
            assert (said.state, said.on("SHUTTER_CLOSE")) == (State.OK, True)
            assert b.roof == 1.0
            assert await b.ask(ROOF, "DOME_SHUTTER", CLOSE) == State.OK
            assert b.roof == 0.0

    run_virtual(scenario())


@pytest.mark.parametrize("reborn", [True, False])
def test_a_server_comes_back_with_its_drivers_or_with_new_ones(reborn: bool) -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.dead(WHEEL)
            gone = asyncio.create_task(b.faults.server_gone(30.0, reborn=reborn))
            await asyncio.sleep(29)
            assert not b.link.connected
            await gone
            await asyncio.sleep(0.1)
            assert b.seen(MOUNT, "CONNECTION").on("CONNECT") is not reborn
            assert b.world.mount.is_tracking(b.clock.unix_s())
            assert WHEEL not in b.link.devices()

    run_virtual(scenario())


@pytest.mark.parametrize("refuses_first", [True, False])
def test_a_mount_that_says_parked_tracks_until_it_is_told(refuses_first: bool) -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.says_parked(refuses_first=refuses_first)
            await asyncio.sleep(30)
            said = b.seen(MOUNT, "TELESCOPE_PARK")
            assert (said.state, said.on("PARK")) == (State.OK, True)
            assert b.seen(MOUNT, "TELESCOPE_TRACK_STATE").on("TRACK_ON")
            assert b.world.mount.is_tracking(b.clock.unix_s())
            if refuses_first:
                assert await b.ask(MOUNT, "TELESCOPE_PARK", PARKED) == State.ALERT
            assert await b.ask(MOUNT, "TELESCOPE_PARK", PARKED) == State.OK
            assert b.world.mount.is_parked(b.clock.unix_s())

    run_virtual(scenario())


def test_parking_sticks_until_it_is_aborted_and_asked_for_anew() -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.park_sticks(1)
            assert await b.ask(MOUNT, "TELESCOPE_PARK", PARKED, within_s=900) == State.BUSY
            assert b.world.mount.is_tracking(b.clock.unix_s())
            b.link.set(MOUNT, "TELESCOPE_ABORT_MOTION", {"ABORT": True})
            await asyncio.sleep(1)
            assert b.seen(MOUNT, "TELESCOPE_PARK").state is State.ALERT
            assert await b.ask(MOUNT, "TELESCOPE_PARK", PARKED) == State.OK

    run_virtual(scenario())


def test_parking_may_be_refused_so_many_times() -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.park_sticks(2, alert=True)
            ends = [await b.ask(MOUNT, "TELESCOPE_PARK", PARKED) for _ in range(3)]
            assert ends == [State.ALERT, State.ALERT, State.OK]

    run_virtual(scenario())


def test_a_roof_sticks_on_its_way_and_moves_again_once_healed() -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.roof_sticks(0.4)
            for _ in range(2):
                assert await b.ask(ROOF, "DOME_SHUTTER", CLOSE) == State.ALERT
                assert b.roof == pytest.approx(0.4)
            b.faults.heal(ROOF)
            assert await b.ask(ROOF, "DOME_SHUTTER", CLOSE) == State.OK
            assert b.roof == 0.0

    run_virtual(scenario())


def test_a_cap_sticks_half_way_and_stays_busy() -> None:
    async def scenario() -> None:
        async with bench() as b:
            await b.connect(DUST_CAP, "CAP_PARK")
            b.faults.cap_sticks()
            assert await b.ask(DUST_CAP, "CAP_PARK", PARKED) == State.BUSY
            assert b.world.cap.position(b.clock.unix_s()) == pytest.approx(0.5)
            b.faults.heal(DUST_CAP)
            await asyncio.sleep(0.1)
            assert b.seen(DUST_CAP, "CAP_PARK").state is State.IDLE
            assert await b.ask(DUST_CAP, "CAP_PARK", PARKED) == State.OK
            assert b.world.cap.is_closed(b.clock.unix_s())

    run_virtual(scenario())


def test_a_silent_station_says_nothing_even_when_asked() -> None:
    async def scenario() -> None:
        async with bench() as b:
            await b.connect(STATION, "WEATHER_REFRESH")
            b.faults.station_silent()
            sent = b.link.set(STATION, "WEATHER_REFRESH", {"REFRESH": True})
            await asyncio.sleep(600)
            assert all(vector.serial <= sent for vector in b.link.vectors(STATION))
            b.faults.heal(STATION)
            await asyncio.sleep(61)
            assert b.seen(STATION, "WEATHER_PARAMETERS").serial > sent

    run_virtual(scenario())


def test_a_frozen_station_repeats_itself_in_the_rain() -> None:
    async def scenario() -> None:
        async with bench() as b:
            await b.connect(STATION, "WEATHER_REFRESH")
            old = b.seen(STATION, "WEATHER_PARAMETERS")
            b.faults.station_frozen()
            b.faults.rain()
            await asyncio.sleep(600)
            said = b.seen(STATION, "WEATHER_PARAMETERS")
            assert said.serial > old.serial
            assert (said.state, said.elements) == (State.OK, old.elements)
            assert b.world.weather.rain_mm_per_h(b.clock.unix_s()) == 5.0

    run_virtual(scenario())


def test_rain_begins_and_ends_at_its_moments() -> None:
    async def scenario() -> None:
        async with bench() as b:
            first_s = b.faults.rain(in_s=100.0, for_s=50.0, rate_mm_per_h=2.0)
            wet = [b.world.weather.rain_mm_per_h(first_s + at) for at in (-0.01, 0.01, 49.9, 50.1)]
            assert wet == [0.0, 2.0, 2.0, 0.0]
            b.faults.cloud(in_s=0.0, for_s=3600.0, depth_mag=5.0)
            passed = b.world.clouds.transmission(first_s + 1800.0, 90.0, 0.0)
            assert passed == pytest.approx(0.01, rel=0.2)  # five magnitudes are a factor of 100

    run_virtual(scenario())


def test_a_camera_is_found_exposing() -> None:
    async def scenario() -> None:
        async with bench() as b:
            b.faults.camera_exposing(600.0)
            await asyncio.sleep(10)
            assert b.seen(CAMERA, "CCD_EXPOSURE").state is State.BUSY
            b.link.set(CAMERA, "CCD_ABORT_EXPOSURE", {"ABORT": True})
            await asyncio.sleep(1)
            assert b.seen(CAMERA, "CCD_EXPOSURE").state is State.IDLE

    run_virtual(scenario())


def test_an_exposure_never_ends_and_can_be_aborted() -> None:
    async def scenario() -> None:
        async with bench() as b:
            await b.connect(CAMERA, "CCD_TEMP_RAMP")
            b.faults.never_ends()
            assert await b.ask(CAMERA, "CCD_EXPOSURE", SECOND) == State.BUSY
            b.link.set(CAMERA, "CCD_ABORT_EXPOSURE", {"ABORT": True})
            await asyncio.sleep(1)
            assert b.seen(CAMERA, "CCD_EXPOSURE").state is State.IDLE
            assert await b.ask(CAMERA, "CCD_EXPOSURE", SECOND) == State.OK

    run_virtual(scenario())


def test_a_frame_is_lost_and_the_next_one_comes() -> None:
    async def scenario() -> None:
        async with bench() as b:
            await b.connect(GUIDE_CAMERA, "CCD_EXPOSURE")
            b.link.keep_blobs(GUIDE_CAMERA)
            b.faults.frame_lost(device=GUIDE_CAMERA)
            with b.link.blobs(GUIDE_CAMERA, "CCD1") as frames:
                assert await b.ask(GUIDE_CAMERA, "CCD_EXPOSURE", SECOND) == State.OK
                assert frames.empty()
                assert await b.ask(GUIDE_CAMERA, "CCD_EXPOSURE", SECOND) == State.OK
                assert frames.qsize() == 1

    run_virtual(scenario())


def test_a_covered_camera_sees_no_star_until_it_heals() -> None:
    async def scenario() -> None:
        async with bench() as b:
            await b.connect(GUIDE_CAMERA, "CCD_EXPOSURE")
            b.link.keep_blobs(GUIDE_CAMERA)
            brightest_adu = []
            for covered in (False, True, False):
                if covered:
                    b.faults.covered(GUIDE_CAMERA)
                else:
                    b.faults.heal(GUIDE_CAMERA)
                with b.link.blobs(GUIDE_CAMERA, "CCD1") as frames:
                    assert await b.ask(GUIDE_CAMERA, "CCD_EXPOSURE", SECOND) == State.OK
                    sent = frames.get_nowait()
                brightest_adu.append(int(picture(open_image(sent.format, sent.data).read()).max()))
            assert min(brightest_adu[0], brightest_adu[2]) > 2 * brightest_adu[1]

    run_virtual(scenario())


def test_a_weak_cooler_does_not_reach_its_set_point() -> None:
    async def scenario() -> None:
        async with bench() as b:
            await b.connect(CAMERA, "CCD_TEMP_RAMP")
            b.faults.cooler_weak(10.0)
            cold: Mapping[str, Value] = {"CCD_TEMPERATURE_VALUE": -20.0}
            assert await b.ask(CAMERA, "CCD_TEMPERATURE", cold, within_s=3600) == State.BUSY
            air_c = b.world.weather.temperature_c(b.clock.unix_s())
            seen_c = b.seen(CAMERA, "CCD_TEMPERATURE").number("CCD_TEMPERATURE_VALUE")
            assert seen_c == pytest.approx(air_c - 10.0, abs=0.2)

    run_virtual(scenario())
