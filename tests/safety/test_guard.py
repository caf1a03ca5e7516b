"""Every limit of the guard by name: what is refused, that nothing moved, and what is let through.

Never try these with a real mount by day: a telescope without a filter that comes near the Sun
destroys eyes and equipment in an instant.
"""

import asyncio
import math
from dataclasses import replace
from pathlib import Path

import pytest

from night.nights import demo
from nightloom.ledger import FILE_NAME, Ledger, LedgerError
from nightloom.night.interrupts import Dawn, dawn
from nightloom.safety import Acts, GuardRefusal, OutOfReach, WrongSide
from nightloom.safety.acts import Part
from nightloom.sky import separation_deg, sun_altitude, sun_position
from nightloom.telemetry import Event, Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import PierSide
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.simulators.rig import MOUNT, ROOF
from safety.guarded import (
    EVENING_S,
    MEASURED_S,
    PRECESSION_DEG,
    Scene,
    context_of,
    deaf_to_closing,
    guarded,
    site_of,
    sun_at,
    with_,
)

UNSAFE, UNPARKED, COVERED = "weather is unsafe", "not seen to park", "not seen to open"
DAYLIGHT, SUN, FLOOR, TURN = "the Sun stands", "from the Sun", "the floor is", "hour angle"

JUNE_NOON_S = 1813576800.0
"""2027-06-21 at 11:20 UTC, noon at 9.6° E by the Sun to two minutes."""

TOLERANCE_H = 0.02
"""What an hour angle may be beyond a limit: a minute of the sky's turn."""


# Opening --------------------------------------------------------------------------------------


def test_a_parked_mount_in_a_safe_night_lets_the_roof_open_and_close() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.guard.open_roof()
        assert scene.opening == 1.0
        assert scene.guard.is_open
        assert not scene.guard.is_safe
        await scene.guard.close_roof()
        assert scene.left_as == "parked, closed"
        assert scene.guard.is_safe

    guarded(story)


def test_opening_is_refused_in_unsafe_weather() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await scene.guard.park()
        scene.faults.rain()
        await asyncio.sleep(MEASURED_S)
        await scene.refuses(scene.guard.open_roof(), UNSAFE)
        assert scene.of(e.GuardRefused)

    guarded(story)


@pytest.mark.parametrize("fault", ["station_silent", "station_gone"])
def test_opening_is_refused_while_the_station_says_nothing(fault: str) -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await scene.guard.park()
        getattr(scene.faults, fault)()
        await asyncio.sleep(200.0)
        await scene.refuses(scene.guard.open_roof(), UNSAFE)

    guarded(story)


def test_opening_is_refused_before_the_station_has_spoken() -> None:
    async def story(scene: Scene) -> None:
        await scene.guard.connect_mount()
        await scene.guard.connect_roof()
        await scene.guard.park()
        await scene.refuses(scene.guard.open_roof(), UNSAFE)

    guarded(story)


def test_opening_is_refused_without_a_station() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await scene.guard.park()
        await scene.refuses(scene.guard.open_roof(), UNSAFE, "no station watches")
        waiting = asyncio.create_task(scene.guard.until_weather_is_safe(10.0))
        await asyncio.sleep(3 * 3600.0)
        assert not waiting.done()
        waiting.cancel()

    guarded(story, changed=with_(without="weather"))


def test_every_station_must_be_there_and_the_others_are_heard_meanwhile() -> None:
    """A station that nobody has plugged in, named before the one that rain reaches."""
    settings, simulated = demo()
    (station,) = settings.observatory.weather
    both = (station.model_copy(update={"device": "Nobody's Station"}), station)
    observatory = settings.observatory.model_copy(update={"weather": both})

    async def story(scene: Scene) -> None:
        await scene.guard.connect_mount()
        await scene.guard.connect_roof()
        with pytest.raises(DeviceGone, match="Nobody's Station"):
            await scene.guard.connect_station()
        await asyncio.sleep(1.0)
        (reason,) = scene.guard.unsafe_reasons()
        assert reason == "Nobody's Station: the station is gone"
        await scene.guard.park()
        await scene.refuses(scene.guard.open_roof(), UNSAFE)
        scene.faults.rain(in_s=0.0)
        await asyncio.sleep(MEASURED_S)
        told = [reason.partition(":")[0] for reason in scene.guard.unsafe_reasons()]
        assert set(told) == {"Nobody's Station", "Rig Weather"}

    guarded(story, changed=(replace(settings, observatory=observatory), simulated))


def test_a_roof_that_somebody_watches_opens_without_a_station() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await scene.guard.park()
        await scene.guard.until_weather_is_safe(10.0)
        await scene.guard.open_roof()
        assert scene.opening == 1.0

    guarded(story, changed=with_(roof={"unwatched": True}, without="weather"))


def test_opening_is_refused_over_a_mount_that_is_not_parked() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.devices.mount.unpark()
        await scene.refuses(scene.guard.open_roof(), UNPARKED)

    guarded(story)


def test_opening_is_refused_over_a_mount_that_was_not_seen_to_park() -> None:
    """A driver that starts again says what it believes; it is told to park again first."""

    async def story(scene: Scene) -> None:
        await scene.connect()
        await scene.guard.park()
        scene.reborn(MOUNT)
        await asyncio.sleep(5.0)
        await scene.guard.connect_mount()
        assert scene.devices.mount.is_parked
        await scene.refuses(scene.guard.open_roof(), UNPARKED)
        await scene.guard.park()
        assert "TELESCOPE_PARK" in scene.moves(MOUNT)
        await scene.guard.open_roof()
        assert scene.opening == 1.0

    guarded(story)


@pytest.mark.parametrize("rising", [False, True], ids=["evening", "morning"])
@pytest.mark.parametrize("altitude_deg", [-0.5, 3.0, 15.0])
def test_opening_is_refused_by_daylight(altitude_deg: float, rising: bool) -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.refuses(scene.guard.open_roof(), DAYLIGHT)

    guarded(story, at_s=sun_at(altitude_deg, rising=rising))


def test_the_roof_opens_when_the_sun_has_set() -> None:
    """It sets at −0.83°: 34′ of refraction and 16′ of radius (Explanatory Supplement to the
    Astronomical Almanac, rising and setting)."""

    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.guard.open_roof()
        assert scene.opening == 1.0

    guarded(story, at_s=sun_at(-1.2))


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
def test_opening_is_refused_by_daylight_whichever_way_the_clock_was_set(step_s: float) -> None:
    """In the evening it is set on, in the morning back: where they differ both must be dark."""

    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        scene.clock.step_s = step_s
        await scene.refuses(scene.guard.open_roof(), DAYLIGHT)

    guarded(story, at_s=sun_at(3.0, rising=step_s < 0.0))


# Closing --------------------------------------------------------------------------------------


def test_closing_is_refused_over_a_mount_that_is_not_parked() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await scene.look_at(-2.0, 40.0)
        await scene.refuses(scene.guard.close_roof(), UNPARKED)

    guarded(story)


def test_closing_is_refused_over_a_mount_that_was_not_seen_to_park() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await scene.guard.park()
        scene.reborn(MOUNT)
        await asyncio.sleep(5.0)
        await scene.guard.connect_mount()
        await scene.refuses(scene.guard.close_roof(), UNPARKED)
        await scene.guard.park()
        await scene.guard.close_roof()
        assert scene.left_as == "parked, closed"

    guarded(story)


def test_closing_is_refused_over_a_mount_that_says_parked_and_tracks() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await scene.look_at(-2.0, 40.0)
        scene.faults.says_parked()
        await asyncio.sleep(1.0)
        await scene.refuses(scene.guard.close_roof(), UNPARKED)
        await scene.guard.park()
        assert scene.is_parked
        await scene.guard.close_roof()
        assert scene.left_as == "parked, closed"

    guarded(story)


def test_closing_is_refused_over_a_mount_that_was_parked_and_that_somebody_else_has_tracking() -> (
    None
):
    """Its driver goes on saying that it is parked."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await scene.guard.park()
        scene.receive(MOUNT, "TELESCOPE_PARK", PARK=False, UNPARK=True)
        scene.receive(MOUNT, "TELESCOPE_TRACK_STATE", TRACK_ON=True, TRACK_OFF=False)
        scene.faults.says_parked()
        await asyncio.sleep(1.0)
        assert scene.is_tracking
        await scene.refuses(scene.guard.close_roof(), UNPARKED)

    guarded(story)


def test_closing_is_refused_over_a_mount_that_was_unparked_and_says_otherwise() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.guard.unpark()
        scene.faults.says_parked()
        await asyncio.sleep(1.0)
        assert not scene.is_parked
        await scene.refuses(scene.guard.close_roof(), UNPARKED)

    guarded(story)


def test_a_roof_that_clears_the_telescope_closes_over_it_in_any_position() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await scene.look_at(-2.0, 40.0)
        await scene.guard.close_roof()
        assert scene.left_as == "free, closed"

    guarded(story, changed=with_(roof={"clears": "always"}))


# Unparking ------------------------------------------------------------------------------------


def test_unparking_is_refused_under_a_closed_roof() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.refuses(scene.guard.unpark(), COVERED)
        assert scene.is_parked

    guarded(story)


def test_unparking_is_refused_under_a_roof_that_was_not_seen_to_open() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.guard.open_roof()
        scene.reborn(ROOF)
        await asyncio.sleep(5.0)
        await scene.guard.connect_roof()
        assert scene.opening == 1.0
        await scene.refuses(scene.guard.unpark(), COVERED)
        await scene.guard.open_roof()
        assert scene.moves(ROOF)
        await scene.guard.unpark()
        assert not scene.is_parked

    guarded(story)


def test_unparking_is_refused_in_unsafe_weather() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.guard.open_roof()
        scene.faults.rain()
        await asyncio.sleep(MEASURED_S)
        await scene.refuses(scene.guard.unpark(), UNSAFE)
        assert scene.is_parked

    guarded(story)


def test_a_rig_without_a_roof_stands_in_the_open() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.guard.unpark()
        await scene.guard.slew(*scene.place(-2.0, 40.0))
        assert scene.is_tracking
        await scene.guard.close_roof()
        assert scene.moves(ROOF) == []

    guarded(story, changed=with_(without="roof"))


# Slewing: weather and roof --------------------------------------------------------------------


def test_slewing_is_refused_in_unsafe_weather() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        scene.faults.rain()
        await asyncio.sleep(MEASURED_S)
        await scene.refuses(scene.guard.slew(*scene.place(-2.0, 40.0)), UNSAFE)

    guarded(story)


def test_slewing_is_refused_while_the_mount_does_not_say_where_it_points() -> None:
    """Its way past the Sun cannot be reckoned then; the side of the pier is, from before."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await scene.look_at(-2.0, 40.0)
        assert scene.guard.position.dec_deg == pytest.approx(40.0, abs=0.3)
        scene.faults.not_a_number(MOUNT)
        await asyncio.sleep(1.0)
        await scene.refuses(scene.guard.slew(*scene.place(-1.0, 40.0)), "does not say where")
        assert scene.guard.position.dec_deg == pytest.approx(40.0, abs=0.3)
        scene.faults.heal(MOUNT)
        await asyncio.sleep(1.0)
        await scene.guard.slew(*scene.place(-1.0, 40.0))

    guarded(story)


def test_slewing_is_refused_under_a_closed_roof() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.devices.mount.unpark()
        await scene.refuses(scene.guard.slew(*scene.place(-2.0, 40.0)), COVERED)

    guarded(story)


def test_slewing_is_refused_under_a_roof_that_was_not_seen_to_open() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        scene.reborn(ROOF)
        await asyncio.sleep(5.0)
        await scene.guard.connect_roof()
        await scene.refuses(scene.guard.slew(*scene.place(-2.0, 40.0)), COVERED)

    guarded(story)


def test_slewing_is_refused_under_a_roof_that_somebody_else_closes() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        scene.receive(ROOF, "DOME_SHUTTER", SHUTTER_OPEN=False, SHUTTER_CLOSE=True)
        await asyncio.sleep(60.0)
        assert scene.opening == 0.0
        await scene.refuses(scene.guard.slew(*scene.place(-2.0, 40.0)), COVERED)

    guarded(story)


# Slewing: the Sun -----------------------------------------------------------------------------

SUN_HEIGHTS_DEG = [-1.5, 0.5, 4.0, 9.0, 14.0, 19.0, 24.0]
"""From a Sun that has just set to the highest of a November day at the demo observatory."""


def sun(scene: Scene) -> tuple[float, float]:
    """Hour angle in hours and declination of the Sun, in degrees."""
    ra_deg, dec_deg, _ = sun_position(scene.true.unix_s())
    angle_h = scene.sidereal_h() - float(ra_deg) / 15.0
    return (angle_h + 12.0) % 24.0 - 12.0, float(dec_deg)


@pytest.mark.parametrize("altitude_deg", SUN_HEIGHTS_DEG)
def test_a_place_near_the_sun_is_refused(altitude_deg: float) -> None:
    """25° beside it in declination, where 30° are the least."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        angle_h, dec_deg = sun(scene)
        await scene.look_at(angle_h, dec_deg + 60.0)
        await scene.refuses(scene.guard.slew(*scene.place(angle_h, dec_deg + 25.0)), SUN)
        await scene.refuses(scene.guard.slew(*scene.place(angle_h, dec_deg)), SUN)

    guarded(story, at_s=sun_at(altitude_deg))


@pytest.mark.parametrize("altitude_deg", SUN_HEIGHTS_DEG)
def test_a_way_that_passes_the_sun_is_refused(altitude_deg: float) -> None:
    """From 45° on one side of it to 45° on the other: both ends are far enough, the way is not."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        angle_h, dec_deg = sun(scene)
        await scene.look_at(angle_h - 3.0, dec_deg)
        there = scene.place(angle_h + 3.0, dec_deg)
        sun_icrs = scene.place(angle_h, dec_deg)
        assert float(separation_deg(*there, *sun_icrs)) > 40.0
        await scene.refuses(scene.guard.slew(*there), SUN)

    guarded(story, at_s=sun_at(altitude_deg))


def test_changing_sides_south_of_the_sun_is_refused() -> None:
    """At noon in June it stands at +23.4°, 34° north of the way, which leads over the pole."""

    async def story(scene: Scene) -> None:
        await scene.connect()
        await scene.devices.mount.unpark()
        await scene.look_at(-3.0, -11.0)
        await scene.refuses(scene.guard.slew(*scene.place(3.0, -11.0)), SUN)
        await scene.guard.slew(*scene.place(-2.0, -11.0))

    guarded(story, at_s=JUNE_NOON_S, changed=with_(without="roof"))


def test_the_long_way_round_past_the_sun_is_refused() -> None:
    """A mount may turn either way round the pole, whichever its driver takes for shorter."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        angle_h, dec_deg = sun(scene)
        await scene.look_at(angle_h + 10.0, dec_deg + 15.0)
        await scene.refuses(scene.guard.slew(*scene.place(angle_h - 10.0, dec_deg + 15.0)), SUN)

    guarded(story, at_s=sun_at(9.0))


def test_a_way_far_from_the_sun_is_free() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        _, dec_deg = sun(scene)
        await scene.look_at(-2.0, dec_deg + 70.0)
        await scene.guard.slew(*scene.place(-3.0, dec_deg + 60.0))
        assert scene.hour_angle_h == pytest.approx(-3.0, abs=TOLERANCE_H)

    guarded(story, at_s=sun_at(4.0))


def test_a_sun_that_is_down_is_in_nobody_s_way() -> None:
    """At −2.5° neither refraction nor its radius brings it over a level horizon."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        angle_h, dec_deg = sun(scene)
        await scene.guard.slew(*scene.place(angle_h, dec_deg + 28.0))
        assert scene.is_tracking

    guarded(story, at_s=sun_at(-2.5))


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
def test_the_sun_is_kept_from_whichever_way_the_clock_was_set(step_s: float) -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        angle_h, dec_deg = sun(scene)
        scene.clock.step_s = step_s
        site = site_of(scene.settings)
        assert float(sun_altitude(site, scene.clock.unix_s())) < -3.0
        with pytest.raises(GuardRefusal, match=SUN):
            await scene.guard.slew(*scene.place(angle_h, dec_deg + 25.0))
        assert "EQUATORIAL_EOD_COORD" not in scene.moves(MOUNT)

    guarded(story, at_s=sun_at(3.0, rising=step_s < 0.0))


# Slewing: floor and pier ----------------------------------------------------------------------


def dec_at(altitude_deg: float, hour_angle_h: float, latitude_deg: float) -> float:
    """The declination that stands so high at an hour angle, north of the zenith's circle.

    sin h = sin φ sin δ + cos φ cos δ cos H (Meeus, Astronomical Algorithms, 13.6).
    """
    latitude = math.radians(latitude_deg)

    def height_deg(dec_deg: float) -> float:
        dec, angle = math.radians(dec_deg), math.radians(15.0 * hour_angle_h)
        sine = math.sin(latitude) * math.sin(dec)
        return math.degrees(math.asin(sine + math.cos(latitude) * math.cos(dec) * math.cos(angle)))

    low, high = -60.0, 50.0
    while high - low > 1e-4:
        middle = (low + high) / 2.0
        low, high = (middle, high) if height_deg(middle) < altitude_deg else (low, middle)
    return low


@pytest.mark.parametrize("hour_angle_h", [-5.0, -1.0, 4.0])
@pytest.mark.parametrize("below_deg", [1.0, 5.0, 15.0, 29.0])
def test_a_place_below_the_floor_is_refused(hour_angle_h: float, below_deg: float) -> None:
    """The demo observatory's floor is 15°; 29° below it is under the horizon."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        latitude_deg = scene.settings.observatory.site.latitude_deg
        floor_deg = scene.settings.policies.safety.altitude_floor_deg
        dec_deg = dec_at(floor_deg - below_deg, hour_angle_h, latitude_deg)
        request = scene.guard.slew(*scene.place(hour_angle_h, dec_deg))
        await scene.refuses(request, FLOOR, kind=OutOfReach)
        above = dec_at(floor_deg + PRECESSION_DEG, hour_angle_h, latitude_deg)
        await scene.guard.slew(*scene.place(hour_angle_h, above))
        assert scene.is_tracking

    guarded(story)


@pytest.mark.parametrize(
    ("hour_angle_h", "side"), [(-6.6, "west"), (6.6, "east"), (-11.0, "west"), (11.0, "east")]
)
def test_an_hour_angle_beyond_the_side_s_is_refused(hour_angle_h: float, side: str) -> None:
    """The demo observatory allows 6.5 h from either side."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        request = scene.guard.slew(*scene.place(hour_angle_h, 75.0))
        await scene.refuses(request, f"{side} of the pier", kind=OutOfReach)

    guarded(story)


def test_an_hour_angle_that_the_side_the_mount_takes_forbids_is_refused() -> None:
    """A mount that is told late goes to the east of its pier, where it may not look yet."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        request = scene.guard.slew(*scene.place(0.3, 60.0))
        await scene.refuses(request, "east of the pier", kind=OutOfReach)

    guarded(story, changed=with_(mount={"hour_angle_pier_east_h": (0.5, 6.5)}))


def test_a_mount_that_went_to_the_wrong_side_is_stopped() -> None:
    """It flips at 3 h and not at the meridian; a telescope west of the pier may look to 0.25 h."""

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        with pytest.raises(WrongSide, match="west of the pier"):
            await scene.guard.slew(*scene.place(1.0, 60.0))
        assert not scene.is_tracking
        assert scene.rig.world.mount.pier_side(scene.true.unix_s()) == "west"

    settings, rig = with_()
    mount = rig.mount.model_copy(update={"flip_after_h": 3.0, "limit_past_meridian_h": 5.0})
    guarded(story, changed=(settings, rig.model_copy(update={"mount": mount})))


# Tracking -------------------------------------------------------------------------------------


async def tracks_to_the_limit(scene: Scene, limit_h: float, set_at: float = 0.0) -> float:
    """Track to a limit, the clock set on the way; the highest true hour angle while tracking."""
    highest_h = -12.0
    waiting = asyncio.create_task(scene.guard.until_limit())
    while not waiting.done() and scene.hour_angle_h < limit_h + 0.5:
        await asyncio.sleep(10.0)
        if scene.is_tracking:
            highest_h = scene.hour_angle_h
        if set_at and scene.hour_angle_h > limit_h - 0.2:
            scene.clock.step_s = set_at
    async with asyncio.timeout(1.0):
        with pytest.raises(WrongSide):
            await waiting
    assert not scene.is_tracking
    return highest_h


@pytest.mark.parametrize("step_s", [0.0, -3600.0, 3600.0])
@pytest.mark.parametrize("side", [PierSide.WEST, PierSide.EAST])
def test_tracking_never_goes_beyond_the_limit(side: PierSide, step_s: float) -> None:
    """However the clock is set on the way: a mistaken hour stops it early, never late."""
    limit_h = 0.25 if side is PierSide.WEST else 3.0

    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await asyncio.sleep(1.0)
        await scene.guard.slew(*scene.place(limit_h - 0.5, 50.0))
        assert scene.guard.pier.side is side
        highest_h = await tracks_to_the_limit(scene, limit_h, step_s)
        assert highest_h <= limit_h + TOLERANCE_H
        if step_s <= 0.0:
            assert highest_h == pytest.approx(limit_h, abs=TOLERANCE_H)

    guarded(story, changed=with_(mount={"hour_angle_pier_east_h": (-0.25, 3.0)}))


def test_a_mount_that_is_not_to_track_is_stopped() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        await scene.look_at(-2.0, 40.0)
        assert scene.is_tracking
        await scene.guard.stand_still()
        assert not scene.is_tracking

    guarded(story)


# Time -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("step_s", [-3600.0, 0.0, 3600.0])
def test_dawn_is_never_missed(tmp_path: Path, step_s: float) -> None:
    """Set back by an hour in mid-night, the night ends when it would have; set on, sooner."""

    async def story(scene: Scene) -> None:
        with Ledger(tmp_path / FILE_NAME) as ledger:
            context = context_of(scene, ledger)
            waiting = asyncio.create_task(dawn(context))
            await asyncio.sleep(1800.0)
            scene.clock.step_s = step_s
            with pytest.raises(Dawn):
                await waiting
            ends_s = context.schedule.dark.end_unix_s - max(step_s, 0.0)
            late_s = scene.true.unix_s() - ends_s
            assert 0.0 < late_s < 60.0 + scene.settings.observatory.camera.download_deadline_s

    guarded(story, at_s=EVENING_S + 7 * 3600.0)


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
def test_the_later_of_two_times_is_the_present(step_s: float) -> None:
    async def story(scene: Scene) -> None:
        await asyncio.sleep(100.0)
        scene.clock.step_s = step_s
        later_s = scene.true.unix_s() + max(step_s, 0.0)
        assert scene.guard.later_s() == pytest.approx(later_s, abs=0.001)

    guarded(story)


# Weather --------------------------------------------------------------------------------------


def test_rain_is_told_of_while_anything_is_open_or_free() -> None:
    async def story(scene: Scene) -> None:
        await scene.open_and_free()
        waiting = asyncio.create_task(scene.guard.until_exposed())
        await asyncio.sleep(600.0)
        assert not waiting.done()
        scene.faults.rain()
        await asyncio.sleep(MEASURED_S)
        assert "RAIN" in await waiting

    guarded(story)


def test_rain_on_a_rig_that_is_parked_and_closed_is_nobody_s_matter() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await scene.guard.park()
        await scene.guard.close_roof()
        waiting = asyncio.create_task(scene.guard.until_exposed())
        scene.faults.rain()
        await asyncio.sleep(600.0)
        assert not waiting.done()
        scene.reborn(ROOF)  # from here on nobody knows that it is closed
        await asyncio.sleep(10.0)
        assert waiting.done()

    guarded(story)


def test_weather_is_safe_when_it_has_been_so_for_long_enough() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        scene.faults.rain(for_s=600.0)
        await asyncio.sleep(MEASURED_S)
        began_s = scene.true.unix_s()
        await scene.guard.until_weather_is_safe(1200.0)
        waited_s = scene.true.unix_s() - began_s
        assert waited_s == pytest.approx(600.0 - MEASURED_S + 1200.0, abs=60.0)

    guarded(story)


# Drivers that start again ---------------------------------------------------------------------


def test_a_driver_that_starts_again_makes_parked_closed_and_open_unknown() -> None:
    """They are told again, though all of it was true."""

    async def story(scene: Scene) -> None:
        guard = scene.guard
        await scene.connect()
        await asyncio.sleep(1.0)
        await guard.park()
        await guard.close_roof()
        assert guard.is_safe
        for device, connect in ((MOUNT, guard.connect_mount), (ROOF, guard.connect_roof)):
            scene.reborn(device)
            await asyncio.sleep(5.0)
            await connect()
            assert not guard.is_safe
            await guard.park()
            await guard.close_roof()
            assert guard.is_safe
            assert scene.moves(device)
            scene.told.clear()
        await guard.open_roof()
        scene.told.clear()
        scene.reborn(ROOF)
        await asyncio.sleep(5.0)
        await guard.connect_roof()
        assert not guard.is_open
        await guard.open_roof()
        assert guard.is_open
        assert scene.moves(ROOF)

    guarded(story)


def test_a_link_that_is_down_knows_nothing() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await scene.guard.park()
        await scene.guard.close_roof()
        await scene.faults.server_gone(10.0, reborn=False)
        await asyncio.sleep(5.0)
        assert not scene.guard.is_parked
        assert not scene.guard.is_safe

    guarded(story)


# A roof that does not move --------------------------------------------------------------------


def test_a_roof_that_was_open_by_the_record_and_says_closed_is_opened_and_closed() -> None:
    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.guard.open_roof()
        scene.reborn(ROOF)
        deaf_to_closing(scene)
        await asyncio.sleep(5.0)
        await scene.guard.connect_roof()
        await scene.guard.close_roof()
        assert scene.left_as == "parked, closed"
        assert scene.guard.is_safe
        assert not scene.of(e.RoofBelieved)

    guarded(story)


def test_a_roof_that_was_closed_by_the_record_and_says_so_is_believed() -> None:
    """It is told once and does not move: nothing says that it is open."""

    async def story(scene: Scene) -> None:
        deaf_to_closing(scene)
        await asyncio.sleep(1.0)
        await scene.connect()
        await scene.guard.park()
        await scene.guard.close_roof()
        assert scene.moves(ROOF)
        assert scene.opening == 0.0
        assert scene.of(e.RoofBelieved)
        assert scene.guard.is_safe

    guarded(story)


# The record of acts ---------------------------------------------------------------------------


def acted(ledger: Ledger, *acts: tuple[Part, str]) -> None:
    """Have these acts on the record, as an earlier run of the daemon left them."""

    async def act() -> None:
        known = Acts(ledger, LoopClock(EVENING_S))
        for part, name in acts:
            async with known.of(part, name):
                pass

    asyncio.run(act())


def test_the_record_says_over_a_restart_what_was_left_free_or_open(tmp_path: Path) -> None:
    with Ledger(tmp_path / FILE_NAME) as ledger:
        clock = LoopClock(EVENING_S)
        assert not Acts(ledger, clock).may_be_free("mount")
        acted(ledger, ("mount", "unpark"), ("roof", "open"))
        assert Acts(ledger, clock).may_be_free("mount")
        assert Acts(ledger, clock).may_be_free("roof")
        acted(ledger, ("mount", "park"))
        assert not Acts(ledger, clock).may_be_free("mount")
        assert Acts(ledger, clock).may_be_free("roof")
        acted(ledger, ("roof", "close"))
        assert not Acts(ledger, clock).may_be_free("roof")


@pytest.mark.parametrize(("part", "act"), [("mount", "park"), ("roof", "close")])
def test_an_act_that_was_cut_short_has_left_nothing_at_rest(
    tmp_path: Path, part: Part, act: str
) -> None:
    async def dies(acts: Acts) -> None:
        async with acts.of(part, act):
            assert acts.may_be_free(part)
            raise RuntimeError("the driver died")

    with Ledger(tmp_path / FILE_NAME) as ledger:
        acts = Acts(ledger, LoopClock(EVENING_S))
        with pytest.raises(RuntimeError):
            asyncio.run(dies(acts))
        assert acts.may_be_free(part)
        assert Acts(ledger, LoopClock(EVENING_S)).may_be_free(part)


def test_a_mount_that_was_free_by_the_record_is_released_before_it_parks(tmp_path: Path) -> None:
    """It says that it is parked, as one that was switched off and on may, and answers nothing."""

    async def story(scene: Scene) -> None:
        await scene.guard.connect_mount()
        assert scene.devices.mount.is_parked
        await scene.guard.park()
        assert scene.moves(MOUNT) == ["TELESCOPE_PARK", "TELESCOPE_PARK"]
        assert scene.is_parked

    with Ledger(tmp_path / FILE_NAME) as ledger:
        acted(ledger, ("mount", "slew"))
        guarded(story, ledger=ledger)


def test_a_ledger_that_cannot_be_written_holds_up_no_way_to_safety(tmp_path: Path) -> None:
    """What leaves safety is refused, now and later."""
    ledger = Ledger(tmp_path / FILE_NAME)

    async def story(scene: Scene) -> None:
        await scene.connect()
        await asyncio.sleep(1.0)
        await scene.guard.park()
        await scene.guard.open_roof()
        await scene.guard.unpark()
        ledger.close()
        there = scene.place(-2.0, 40.0)
        with pytest.raises(LedgerError):
            await scene.guard.slew(*there)
        await scene.guard.park()
        for leave in (scene.guard.unpark, lambda: scene.guard.slew(*there)):
            with pytest.raises(LedgerError):
                await leave()
        await scene.guard.close_roof()
        assert scene.left_as == "parked, closed"
        with pytest.raises(LedgerError):
            await scene.guard.open_roof()
        assert scene.left_as == "parked, closed"

    guarded(story, ledger=ledger)


@pytest.mark.parametrize("during", ["open", "unpark"])
def test_a_ledger_that_fails_during_an_act_lets_no_later_one_leave_safety(
    tmp_path: Path, during: str
) -> None:
    ledger = Ledger(tmp_path / FILE_NAME)

    async def story(scene: Scene) -> None:
        acts = scene.acts
        async with acts.of("roof" if during == "open" else "mount", during):
            ledger.close()
        with pytest.raises(LedgerError):
            async with acts.of("mount", "slew"):
                pytest.fail("it was let")
        async with acts.of("mount", "park"):
            pass
        assert not acts.may_be_free("mount")

    guarded(story, ledger=ledger)


def test_an_act_that_cannot_be_written_down_is_done_and_said(tmp_path: Path) -> None:
    heard = list[Event]()

    async def act(acts: Acts) -> None:
        async with acts.of("roof", "close"):
            pass

    log = Log(LoopClock(EVENING_S))
    ledger = Ledger(tmp_path / FILE_NAME)
    acts = Acts(ledger, LoopClock(EVENING_S), log)
    ledger.close()
    with log.listen(lambda _, event: heard.append(event)):
        asyncio.run(act(acts))
    (told,) = heard
    assert isinstance(told, e.ActUnrecorded)
    assert (told.part, told.act) == ("roof", "close")
    assert not acts.may_be_free("roof")
