"""The devices with the project's own simulated rig: one story a device, on virtual time."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from datetime import UTC, datetime

import pytest

from devices.misbehaving import CLOCK, Scripted, fits_frame, numbers
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import (
    Camera,
    CameraSettings,
    DustCap,
    DustCapSettings,
    FilterWheel,
    FilterWheelSettings,
    Focuser,
    FocuserSettings,
    GuidePort,
    GuidePortSettings,
    LightPanel,
    LightPanelSettings,
    Mount,
    MountSettings,
    PierSide,
    Position,
    Roof,
    RoofSettings,
    RoofState,
    Weather,
    WeatherSettings,
)
from nightloom_drivers.errors import DeviceRefused
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.link import LoopbackLink, State, Value
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.rig import build_rig
from nightloom_drivers.virtual_loop import run_virtual

CLOCK_2026 = LoopClock(datetime(2026, 11, 14, 21, tzinfo=UTC).timestamp())


@asynccontextmanager
async def rig() -> AsyncIterator[LoopbackLink]:
    settings = RigSettings(stars="seeded", star_limit_mag=11.0)
    async with LoopbackLink(build_rig(settings, CLOCK_2026, seed=5).simulators) as link:
        yield link


def now_s() -> float:
    return asyncio.get_running_loop().time()


def test_camera_cools_exposes_and_warms() -> None:
    async def story() -> None:
        async with rig() as link:
            camera = Camera(
                link, "Rig Camera", CameraSettings(gain=120, offset=30, binning=2), CLOCK_2026
            )
            await camera.connect()
            start_c = camera.temperature_c
            assert start_c is not None
            begun_s = now_s()
            await camera.cool(start_c - 20, ramp_c_per_min=4)
            assert camera.temperature_c == pytest.approx(start_c - 20, abs=0.5)
            assert now_s() - begun_s > 0.9 * 300
            assert camera.cooler_power_percent is not None
            frame = await camera.expose(30)
            info = camera.info
            assert frame.data.shape == (info.height // 2, info.width // 2)
            assert frame.header["GAIN"] == 120
            with pytest.raises(DeviceRefused, match="0 to 500"):
                await Camera(link, "Rig Camera", CameraSettings(gain=501), CLOCK_2026).connect()
            unbinned = Camera(link, "Rig Camera", CameraSettings(), CLOCK_2026)
            await unbinned.connect()
            bias = await unbinned.expose(0, FrameKind.BIAS)
            assert bias.data.shape == (info.height, info.width)
            await camera.warm(ramp_c_per_min=4)
            assert camera.need("CCD_COOLER").on("COOLER_OFF")
            assert camera.discarded == 0

    run_virtual(story())


def test_mount_goes_guides_and_parks() -> None:
    async def story() -> None:
        async with rig() as link:
            mount = Mount(link, "Rig Mount", MountSettings(), CLOCK_2026)
            await mount.connect()
            await mount.set_place(46.2, 8.4, 900)
            await mount.set_time(CLOCK_2026.now())
            await mount.unpark()
            await mount.slew(1.0, 50.0)
            assert mount.is_tracking
            assert mount.pier_side is not PierSide.UNKNOWN
            assert mount.position.distance_deg(Position(1.0, 50.0)) < 0.1
            port = GuidePort(link, "Rig Mount", GuidePortSettings(), CLOCK_2026)
            await port.connect()
            begun_s = now_s()
            await port.pulse(west_ms=300, north_ms=-800)
            assert now_s() - begun_s == pytest.approx(0.8, abs=0.01)
            assert port.rates == (0.5, 0.5)
            await mount.sync(1.002, 50.01)
            await mount.park()
            assert mount.is_parked

    run_virtual(story())


def test_wheel_focuser_panel_and_cap_move() -> None:
    async def story() -> None:
        async with rig() as link:
            wheel = FilterWheel(link, "Rig Wheel", FilterWheelSettings(), CLOCK_2026)
            focuser = Focuser(link, "Rig Focuser", FocuserSettings(), CLOCK_2026)
            panel = LightPanel(link, "Rig Light Panel", LightPanelSettings(), CLOCK_2026)
            cap = DustCap(link, "Rig Dust Cap", DustCapSettings(), CLOCK_2026)
            for device in (wheel, focuser, panel, cap):
                await device.connect()
            await wheel.select(4)
            assert wheel.slot == 4
            assert wheel.slots == len(wheel.names)
            there = focuser.position_steps + 300
            await asyncio.gather(focuser.move_to(there), wheel.select(1))
            assert (wheel.slot, focuser.position_steps) == (1, there)
            await focuser.sync(there + 10)
            assert focuser.temperature_c is not None
            await cap.close()
            assert cap.is_open is False
            await panel.on(40)
            await panel.off()
            await cap.open()

    run_virtual(story())


def test_roof_and_weather_shelter() -> None:
    async def story() -> None:
        async with rig() as link:
            roof = Roof(link, "Rig Roof", RoofSettings(), CLOCK_2026)
            weather = Weather(link, "Rig Weather", WeatherSettings(), CLOCK_2026)
            await roof.connect()
            await weather.connect()
            await roof.open()
            assert [roof.state] == [RoofState.OPEN]
            await roof.close()
            assert [roof.state] == [RoofState.CLOSED]
            async with asyncio.timeout(300):
                assert (await weather.until_safe(for_s=60)).safe
            link.disconnect()
            assert not (await weather.until_unsafe()).safe

    run_virtual(story())


class QuickCamera(Scripted):
    """Sends the same pixels again and again, with the header of the moment."""

    def __init__(self) -> None:
        width, height = 320.0, 240.0
        super().__init__(
            numbers("CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 0.0}),
            numbers("CCD_FRAME", {"X": 0.0, "Y": 0.0, "WIDTH": width, "HEIGHT": height}),
            numbers("CCD_INFO", {"CCD_MAX_X": width, "CCD_MAX_Y": height}),
        )
        self._frame = fits_frame(320, 240, exposure_s=2.0, start_unix_s=0.0)
        self._date = self._frame.index(b"DATE-OBS") + 11
        self.answers["CCD_EXPOSURE"] = self._expose

    async def _expose(self, _device: Scripted, asked: Mapping[str, Value]) -> None:
        start = CLOCK.now().isoformat(timespec="milliseconds")[:23].encode()
        self.publish("CCD_EXPOSURE", State.BUSY, **asked)
        await asyncio.sleep(2)
        self.publish("CCD_EXPOSURE", State.BUSY, CCD_EXPOSURE_VALUE=0.0)
        head, tail = self._frame[: self._date], self._frame[self._date + len(start) :]
        self.publish_blob("CCD1", head + start + tail)
        self.publish("CCD_EXPOSURE", State.OK)


async def guide_exposures(count: int) -> None:
    """Expose a guide camera so often, and see that every frame is taken for the one asked for."""
    async with LoopbackLink([QuickCamera()]) as link:
        camera = Camera(link, "Odd", CameraSettings(), CLOCK)
        await camera.connect()
        for _ in range(count):
            await camera.expose(2.0)
        assert camera.discarded == 0


def test_every_frame_of_a_quick_camera_is_taken() -> None:
    """Two hundred exposures of a simulator that does no more than it must."""
    run_virtual(guide_exposures(200))
