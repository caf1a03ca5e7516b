"""The devices against the C++ simulators of the INDI library, under indiserver."""

import asyncio
import contextlib
import stat
from collections.abc import Callable, Coroutine
from dataclasses import replace
from pathlib import Path

import pytest

from nightloom_drivers.clock import WallClock
from nightloom_drivers.devices import (
    Camera,
    CameraSettings,
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
    Roof,
    RoofSettings,
    RoofState,
    Weather,
    WeatherSettings,
)
from nightloom_drivers.errors import DeviceGone, DeviceLate, DeviceRefused
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.link.indi import IndiLink
from nightloom_drivers.link.link import Link
from nightloom_drivers.link.vector import Vector
from servers import indiserver, west_of_the_meridian_h

LONGITUDE_DEG = -8.4

pytestmark = pytest.mark.servers


def with_simulators(
    home: Path, drivers: list[str], story: Callable[[Link], Coroutine[None, None, None]]
) -> None:
    """Run a story over a link to an indiserver of its own."""
    fake = home / "bin"
    fake.mkdir()
    gsc = fake / "gsc"  # The camera asks this for stars; none is a sky too, and a quick one.
    gsc.write_text("#!/bin/sh\nexit 0\n")
    gsc.chmod(gsc.stat().st_mode | stat.S_IXUSR)

    async def run(port: int) -> None:
        async with IndiLink("127.0.0.1", port) as link:
            await story(link)

    with indiserver(drivers, home, path_extra=[fake]) as server:
        asyncio.run(run(server.port))


def test_mount_slews_guides_and_parks(tmp_path: Path) -> None:
    async def story(link: Link) -> None:
        mount = Mount(link, "Telescope Simulator", MountSettings(), WallClock())
        await mount.connect()
        await mount.set_place(46.2, LONGITUDE_DEG, 900.0)
        await mount.set_time(WallClock().now())
        await mount.unpark()
        ra_hours = west_of_the_meridian_h(3.0, LONGITUDE_DEG)
        await mount.slew(ra_hours, 80.0)
        assert mount.is_tracking
        assert not mount.is_moving
        assert mount.pier_side is not PierSide.UNKNOWN
        assert mount.focal_length_mm == pytest.approx(900)
        port = GuidePort(link, "Telescope Simulator", GuidePortSettings(), WallClock())
        await port.connect()
        before = mount.position
        await port.pulse(west_ms=1000, north_ms=-500)

        def nudged(vector: Vector) -> bool:
            """At half the sidereal rate 1 s west is 7.5″ less right ascension, 15″ being 1 s."""
            west_arcsec = (before.ra_hours - vector.number("RA")) * 54000
            south_arcsec = (before.dec_deg - vector.number("DEC")) * 3600
            return abs(west_arcsec - 7.5) < 1.5 and abs(south_arcsec - 3.75) < 1.5

        await link.wait(mount.device, "EQUATORIAL_EOD_COORD", nudged, timeout_s=2)
        await mount.sync((ra_hours + 0.01) % 24.0, 80.1)
        with pytest.raises(DeviceRefused):
            await mount.slew(25.0, 0.0)
        moving = asyncio.create_task(mount.slew((ra_hours + 6.0) % 24.0, 60.0))
        await asyncio.sleep(2)
        assert mount.is_moving
        moving.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await moving
        await link.wait(
            mount.device,
            "EQUATORIAL_EOD_COORD",
            lambda v: v.state != "Busy",
            timeout_s=2,
        )
        await mount.park()
        assert mount.is_parked
        assert not mount.is_tracking
        await mount.park()
        with pytest.raises(DeviceRefused, match="parked"):
            await mount.slew(ra_hours, 80.0)

    with_simulators(tmp_path, ["indi_simulator_telescope"], story)


def test_cameras_expose_bin_and_abort(tmp_path: Path) -> None:
    async def story(link: Link) -> None:
        settings = CameraSettings(gain=90.0, offset=0.0, snooped={"ACTIVE_FILTER": ""})
        camera = Camera(link, "CCD Simulator", settings, WallClock())
        await camera.connect()
        info = camera.info
        assert (info.width, info.height, info.bits) == (1280, 1024, 16)
        assert info.pixel_um == pytest.approx(5.2)
        exposure = await camera.begin(1.2)
        await exposure.shutter_closed()
        frame = await exposure.frame()
        assert frame.data.shape == (1024, 1280)
        assert abs((frame.start - WallClock().now()).total_seconds()) < 5
        camera = Camera(link, "CCD Simulator", replace(settings, binning=2), WallClock())
        await camera.connect()
        assert (await camera.expose(0.1, FrameKind.DARK)).data.shape == (512, 640)
        assert (await camera.expose(0.0, FrameKind.BIAS)).header["FRAME"] == "Bias"
        running = asyncio.create_task(camera.expose(30.0))
        await asyncio.sleep(0.5)
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
        assert (await camera.expose(0.2)).data.shape == (512, 640)
        await camera.cool(-2.0, 30.0, 60.0)
        assert camera.temperature_c == pytest.approx(-2, abs=0.5)
        await camera.cooler_off()
        head = Camera(link, "CCD Simulator", CameraSettings(chip="guide"), WallClock())
        await head.connect()
        assert (await head.expose(0.2)).data.shape == (head.info.height, head.info.width)
        assert camera.discarded == 0

    with_simulators(tmp_path, ["indi_simulator_ccd"], story)


def test_a_camera_whose_driver_crashes_is_itself_again(tmp_path: Path) -> None:
    async def story(link: Link) -> None:
        camera = Camera(link, "CCD Simulator", CameraSettings(gain=33.0, binning=2), WallClock())
        await camera.connect()
        exposure = await camera.begin(20.0)
        link.set(camera.device, "CCD_SIMULATE_CRASH", {"CRASH": True})
        with pytest.raises(DeviceGone):
            await exposure.frame()
        await camera.connect()
        assert (await camera.expose(0.1)).data.shape == (512, 640)
        assert camera.need("CCD_GAIN").number("GAIN") == 33

    with_simulators(tmp_path, ["indi_simulator_ccd"], story)


def test_an_exposure_that_never_ends_is_aborted(tmp_path: Path) -> None:
    async def story(link: Link) -> None:
        settings = CameraSettings(download_deadline_s=1.0)
        camera = Camera(link, "Guide Simulator", settings, WallClock())
        await camera.connect()
        await camera.choose("CCD_TIMEOUT", "INDI_ENABLED")
        with pytest.raises(DeviceLate):
            await camera.expose(0.2)
        await camera.choose("CCD_TIMEOUT", "INDI_DISABLED")
        await camera.expose(0.2)

    with_simulators(tmp_path, ["indi_simulator_guide"], story)


def test_wheel_and_focuser_move(tmp_path: Path) -> None:
    async def story(link: Link) -> None:
        wheel = FilterWheel(link, "Filter Simulator", FilterWheelSettings(), WallClock())
        await wheel.connect()
        await wheel.select(3)
        assert wheel.slot == 3
        assert len(wheel.names) == wheel.slots == 8
        with pytest.raises(DeviceRefused):
            await wheel.select(9)
        focuser = Focuser(link, "Focuser Simulator", FocuserSettings(), WallClock())
        await focuser.connect()
        assert focuser.limits_steps == (0, 100000)
        await focuser.move_to(52000)
        assert focuser.position_steps == 52000
        with pytest.raises(DeviceRefused):
            await focuser.move_to(100001)
        with pytest.raises(DeviceGone, match="Filter Simulator, Focuser Simulator"):
            await FilterWheel(link, "Wheel", FilterWheelSettings(), WallClock()).connect(1.0)

    with_simulators(tmp_path, ["indi_simulator_wheel", "indi_simulator_focus"], story)


def test_roof_weather_and_panel(tmp_path: Path) -> None:
    async def story(link: Link) -> None:
        roof = Roof(link, "Dome Simulator", RoofSettings(), WallClock())
        await roof.connect()
        await roof.open()
        opened = roof.state
        assert opened is RoofState.OPEN
        closing = asyncio.create_task(roof.close())
        await asyncio.sleep(1)
        await roof.stop()
        with pytest.raises(DeviceRefused):
            await closing
        assert roof.state is RoofState.UNKNOWN

        weather = Weather(link, "Weather Simulator", WeatherSettings(), WallClock())
        await weather.connect()
        async with asyncio.timeout(10):
            report = await weather.until_safe()
        assert report.safe
        await weather.put("WEATHER_CONTROL", {"Wind": 50.0})
        link.set(weather.device, "WEATHER_REFRESH", {"REFRESH": True})
        async with asyncio.timeout(10):
            await weather.until_unsafe()
            await link.wait(  # the light may come before the number that it is about
                weather.device,
                "WEATHER_PARAMETERS",
                lambda v: v.number("WEATHER_WIND_SPEED") == 50.0,
                timeout_s=10,
            )
        report = weather.reading()
        assert report.reasons == (
            "Weather Simulator: WEATHER_WIND_SPEED is in alert at 50 km/h;"
            " the station's own limits are 0 to 20 km/h",
        )
        link.set(weather.device, "WEATHER_OVERRIDE", {"OVERRIDE": True})
        await link.wait(weather.device, "WEATHER_OVERRIDE", lambda v: v.on("OVERRIDE"), timeout_s=5)
        assert not weather.reading().safe
        weather.close()

        panel = LightPanel(link, "Light Panel Simulator", LightPanelSettings(), WallClock())
        await panel.connect()
        await panel.on(120)
        assert panel.is_on
        with pytest.raises(DeviceRefused):
            await panel.on(300)
        await panel.off()

    with_simulators(
        tmp_path,
        ["indi_simulator_dome", "indi_simulator_weather", "indi_simulator_lightpanel"],
        story,
    )
