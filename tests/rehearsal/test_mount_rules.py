"""What the observer says of a telescope that goes where it must not."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from night.nights import demo
from nightloom_drivers.physics.sphere import angles_deg
from rehearsal.scenes import PERFECT, STEADY, Stage, observed

NOON_S = datetime(2026, 11, 10, 11, tzinfo=UTC).timestamp()


async def open_and_unpark(stage: Stage) -> None:
    await stage.open_roof()
    await stage.unpark()


def beside_the_sun(east_deg: float, north_deg: float, stage: Stage) -> tuple[float, float]:
    ra, dec = angles_deg(stage.rig.world.site.sun_vector(stage.clock.unix_s()))
    return (float(ra) + east_deg) / 15.0, float(dec) + north_deg


def test_the_telescope_points_near_the_sun() -> None:
    async def look(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.slew(*beside_the_sun(20.0, 0.0, stage))

    (seen,) = observed(look, start_s=NOON_S).of("sun")
    assert "from the Sun" in seen


def test_the_way_counts_though_its_ends_do_not() -> None:
    """From 45° east of the Sun to 45° west of it, 25° further north all the time."""

    async def pass_by(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.slew(*beside_the_sun(45.0, 25.0, stage))
        await stage.slew(*beside_the_sun(-45.0, 25.0, stage))

    settings, rig = demo(rig=STEADY | {"mount": {**PERFECT, "flip_after_h": 12.0}})
    (seen,) = observed(pass_by, (settings, rig), start_s=NOON_S).of("sun")
    nearest_deg = float(seen.split("came to ")[1].split("°")[0])
    assert nearest_deg == pytest.approx(25.0, abs=2.0)


def test_far_from_the_sun_or_under_the_roof_is_no_matter() -> None:
    async def look(stage: Stage) -> None:
        await stage.unpark()
        await stage.slew(*beside_the_sun(0.0, 0.0, stage))
        await stage.park()
        await stage.open_roof()
        await stage.unpark()
        await stage.slew(*beside_the_sun(0.0, 70.0, stage))

    assert observed(look, start_s=NOON_S).of("sun") == []


@pytest.mark.parametrize(("lasts_s", "found"), [(900.0, 0), (2400.0, 1)])
def test_tracking_on_past_the_limit_of_the_pier(lasts_s: float, found: int) -> None:
    """From 6 minutes before the meridian, on the side that may look until 15 minutes past it."""

    async def track(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.slew_to_hour_angle(-0.1)
        await stage.look_for(lasts_s)

    seen = observed(track).of("pier")
    assert len(seen) == found
    assert all("tracks west of the pier" in one for one in seen)


def test_an_arrival_beyond_the_limit_of_the_pier() -> None:
    """A mount that flips late is sent to half an hour past the meridian."""
    settings, rig = demo(rig=STEADY | {"mount": {**PERFECT, "flip_after_h": 3.0}})

    async def arrive(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.slew_to_hour_angle(0.5)

    assert len(observed(arrive, (settings, rig)).of("pier")) == 1


def test_a_mount_without_sides_has_no_such_limit() -> None:
    settings, rig = demo(rig=STEADY)
    mount = settings.observatory.mount.model_copy(update={"needs_flip": False})
    settings = replace(
        settings, observatory=settings.observatory.model_copy(update={"mount": mount})
    )

    async def track(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.slew_to_hour_angle(-0.1)
        await stage.look_for(2400.0)

    assert observed(track, (settings, rig)).of("pier") == []


def test_tracking_with_nobody_watching() -> None:
    async def leave(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.point()
        await asyncio.sleep(600.0)
        await stage.park()

    (seen,) = observed(leave).of("watched")
    assert "no camera looked" in seen


def test_dark_frames_do_not_watch() -> None:
    async def take_darks(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.point()
        await stage.ask("Guide Camera", "CCD_FRAME_TYPE", FRAME_DARK=True)
        await stage.look_for(600.0)

    assert len(observed(take_darks).of("watched")) == 1


def test_a_slew_under_the_roof() -> None:
    async def slew(stage: Stage) -> None:
        await stage.unpark()
        await stage.point()

    (seen,) = observed(slew).of("slew_in_the_open")
    assert "slews under a roof 0% open" in seen


def test_a_slew_under_a_roof_that_is_still_opening() -> None:
    async def slew(stage: Stage) -> None:
        await stage.ask("Roof", "DOME_SHUTTER", 10.0, SHUTTER_OPEN=True)
        await stage.unpark()
        await stage.point()

    assert len(observed(slew).of("slew_in_the_open")) == 1


def test_parking_under_the_roof_is_right() -> None:
    async def come_home(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.point()
        await stage.close_roof()
        found = len(stage.frames)
        assert found == 0
        await stage.park()

    seen = observed(come_home)
    assert seen.of("ends_safe") == []
    assert all("tracks" in one for one in seen.of("slew_in_the_open")), "the parking itself"


def test_exposing_below_the_floor() -> None:
    """At 47.1° N a declination of −35° culminates at 7.9°: 90° − 47.1° − 35°."""

    async def look_low(stage: Stage) -> None:
        await open_and_unpark(stage)
        await stage.slew_to_hour_angle(-0.1, dec_deg=-35.0)
        await stage.expose(30.0)

    (seen,) = observed(look_low).of("slew_in_the_open")
    altitude_deg = float(seen.split("altitude of ")[1].split("°")[0])
    assert altitude_deg == pytest.approx(7.9, abs=0.1)
    assert np.isfinite(altitude_deg)
