import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom_drivers.physics.mount import Mount
from nightloom_drivers.physics.site import SIDEREAL_DEG_PER_S, Site, apparent_deg
from nightloom_drivers.rig_settings import MountSettings, SiteSettings

from .nights import NOON_S, PERFECT_MOUNT

SITE = Site(SiteSettings())


def mount_at(
    hour_angle_h: float, dec_deg: float, settings: MountSettings = PERFECT_MOUNT
) -> tuple[Mount, float]:
    """Return a tracking mount that has arrived at a place, and the time."""
    mount = Mount(settings, SITE, np.random.SeedSequence(3), NOON_S)
    mount.unpark(NOON_S)
    ra_hours = (SITE.sidereal_deg(NOON_S) / 15 - hour_angle_h) % 24
    return mount, NOON_S + mount.begin_slew(NOON_S, ra_hours, dec_deg)


def true_apparent_deg(mount: Mount, t_s: float) -> tuple[float, float]:
    sight = mount.boresight([t_s])
    return apparent_deg(t_s, float(sight.ra_deg[0]), float(sight.dec_deg[0]))


@settings(max_examples=40)
@given(hour_angle_h=st.floats(-5.5, 5.5), dec_deg=st.floats(-30, 88))
def test_a_perfect_mount_points_where_it_says(hour_angle_h: float, dec_deg: float) -> None:
    """Through the axes, the apparent place and ICRS and back."""
    mount, t_s = mount_at(hour_angle_h, dec_deg)
    ra_hours, dec = mount.reported(t_s)
    assert dec == pytest.approx(dec_deg, abs=1e-6)
    true_ra, true_dec = true_apparent_deg(mount, t_s)
    assert true_dec == pytest.approx(dec, abs=3e-5)
    across = (true_ra - ra_hours * 15 + 180) % 360 - 180
    assert across * np.cos(np.radians(dec)) == pytest.approx(0, abs=3e-5)


@pytest.mark.parametrize(("hour_angle_h", "side"), [(-2.0, "west"), (2.0, "east")])
def test_a_slew_picks_the_side_of_the_pier(hour_angle_h: float, side: str) -> None:
    """A place west of the meridian is seen from east of the pier: how such mounts are built."""
    mount, t_s = mount_at(hour_angle_h, 40)
    assert mount.pier_side(t_s) == side


def test_the_mount_reaches_the_other_side_through_a_long_slew() -> None:
    """Both axes turn, the polar one by half a turn: at 4° a second 45 s and the settling."""
    mount, t_s = mount_at(-0.02, 40)
    t_s += 300
    assert mount.pier_side(t_s) == "west"
    ra_hours, dec_deg = mount.reported(t_s)
    duration_s = mount.begin_slew(t_s, ra_hours, dec_deg)
    assert duration_s == pytest.approx(48, abs=1)
    assert mount.is_slewing(t_s + duration_s - 0.1)
    assert not mount.is_tracking(t_s + duration_s - 0.1)
    t_s += duration_s
    assert mount.is_tracking(t_s)
    assert mount.pier_side(t_s) == "east"
    assert mount.reported(t_s) == pytest.approx((ra_hours, dec_deg), abs=1e-6)


def test_a_flip_turns_the_camera_by_half_a_turn() -> None:
    mount, t_s = mount_at(-0.02, 40)
    t_s += 300
    before = mount.boresight([t_s]).rotation_deg[0]
    t_s += mount.begin_slew(t_s, *mount.reported(t_s))
    after = mount.boresight([t_s]).rotation_deg[0]
    assert (after - before) % 360 == pytest.approx(180, abs=0.01)


def test_tracking_holds_the_place_and_standing_still_drifts_with_the_sky() -> None:
    mount, t_s = mount_at(1, 40)
    ra_hours, _ = mount.reported(t_s)
    assert mount.reported(t_s + 1000)[0] == pytest.approx(ra_hours, abs=1e-9)
    mount.set_tracking(t_s + 1000, on=False)
    assert not mount.is_tracking(t_s + 1000)
    drifted = mount.reported(t_s + 1240)[0] - ra_hours
    assert drifted * 15 == pytest.approx(240 * SIDEREAL_DEG_PER_S, abs=1e-9)


def test_tracking_ends_at_the_limit_past_the_meridian() -> None:
    mount, t_s = mount_at(-0.5, 40)
    limit_h = PERFECT_MOUNT.limit_past_meridian_h
    reaches_s = t_s + (limit_h + 0.5) * 3600
    assert mount.is_tracking(reaches_s - 60)
    assert mount.hour_angle_h(reaches_s - 60) == pytest.approx(limit_h, abs=0.03)
    assert not mount.is_tracking(reaches_s + 60)
    assert mount.hour_angle_h(reaches_s + 600) == pytest.approx(limit_h, abs=1e-6)


@pytest.mark.parametrize("hour_angle_h", [-2.0, 2.0])
@pytest.mark.parametrize(
    ("direction", "east", "north"),
    [("east", 1, 0), ("west", -1, 0), ("north", 0, 1), ("south", 0, -1)],
)
def test_pulses_move_the_boresight(
    direction: str, east: int, north: int, hour_angle_h: float
) -> None:
    """One second at half the sidereal rate is 7.52″, whatever the side of the pier."""
    mount, t_s = mount_at(hour_angle_h, 0)
    ra0, dec0 = mount.reported(t_s)
    mount.pulse(t_s, direction, 1000)  # type: ignore[arg-type]
    ra1, dec1 = mount.reported(t_s + 2)
    assert (ra1 - ra0) * 15 * 3600 == pytest.approx(7.5205 * east, abs=1e-3)
    assert (dec1 - dec0) * 3600 == pytest.approx(7.5205 * north, abs=1e-3)


def test_a_new_pulse_ends_an_older_one() -> None:
    mount, t_s = mount_at(2, 0)
    ra0, _ = mount.reported(t_s)
    mount.pulse(t_s, "west", 60_000)
    mount.pulse(t_s + 2, "east", 1000)
    ra1, _ = mount.reported(t_s + 100)
    assert (ra1 - ra0) * 15 * 3600 == pytest.approx(-7.5205, abs=1e-3)


def test_backlash_swallows_the_beginning_of_a_reversal() -> None:
    mount, t_s = mount_at(2, 20, PERFECT_MOUNT.model_copy(update={"dec_backlash_arcsec": 3.0}))
    mount.pulse(t_s, "north", 2000)
    dec0 = mount.boresight([t_s + 3]).dec_deg[0]
    mount.pulse(t_s + 3, "south", 1000)
    moved = (mount.boresight([t_s + 5]).dec_deg[0] - dec0) * 3600
    assert moved == pytest.approx(-(7.5205 - 3.0), abs=0.01)
    mount.pulse(t_s + 5, "south", 1000)
    moved = (mount.boresight([t_s + 7]).dec_deg[0] - dec0) * 3600
    assert moved == pytest.approx(-(2 * 7.5205 - 3.0), abs=0.01)


def test_periodic_error_has_its_size_and_period() -> None:
    worm = PERFECT_MOUNT.model_copy(update={"periodic_error_arcsec": 20.0})
    mount, t_s = mount_at(1, 0, worm)
    times = t_s + np.arange(0, 960, 4.0)
    ra = mount.boresight(times).ra_deg * 3600
    assert np.ptp(ra) == pytest.approx(20, rel=0.1)
    assert ra[120] == pytest.approx(ra[0], abs=0.1)


def test_a_pole_error_in_azimuth_drifts_in_declination_on_the_meridian() -> None:
    """15.75″ an hour for each arcminute: the drift method of polar alignment, computed."""
    tilted = PERFECT_MOUNT.model_copy(
        update={"polar_error_arcmin": 1.0, "polar_error_angle_deg": 90.0}
    )
    mount, t_s = mount_at(0.0001, 0, tilted)
    dec = mount.boresight([t_s, t_s + 360]).dec_deg * 3600
    assert abs(dec[1] - dec[0]) == pytest.approx(1.575, abs=0.02)


def test_pointing_errors_are_arcminutes_and_sync_takes_them_away() -> None:
    mount, t_s = mount_at(2, 40, MountSettings(periodic_error_arcsec=0.0))
    ra, dec = true_apparent_deg(mount, t_s)
    reported_ra, reported_dec = mount.reported(t_s)
    off = np.hypot((ra - reported_ra * 15) * np.cos(np.radians(dec)), dec - reported_dec)
    assert 0.5 / 60 < off < 20 / 60
    mount.sync(t_s, ra / 15, dec)
    assert mount.reported(t_s) == pytest.approx((ra / 15, dec), abs=1e-9)
    t_s += mount.begin_slew(t_s, reported_ra, reported_dec)
    ra, dec = true_apparent_deg(mount, t_s)
    assert dec == pytest.approx(reported_dec, abs=5 / 3600)
    assert ra == pytest.approx(reported_ra * 15, abs=10 / 3600)


def test_parking_takes_time_and_locks_the_mount() -> None:
    mount, t_s = mount_at(2, 40)
    duration_s = mount.park(t_s)
    assert not mount.is_parked(t_s + duration_s - 0.1)
    t_s += duration_s
    assert mount.is_parked(t_s)
    assert not mount.is_tracking(t_s)
    with pytest.raises(ValueError, match="parked"):
        mount.begin_slew(t_s, 1.0, 40)
    with pytest.raises(ValueError, match="parked"):
        mount.set_tracking(t_s, on=True)
    mount.unpark(t_s)
    mount.begin_slew(t_s, 1.0, 40)


def test_abort_stops_a_slew_on_its_way() -> None:
    mount, t_s = mount_at(2, 40)
    ra_hours, _ = mount.reported(t_s)
    mount.begin_slew(t_s, ra_hours, -20)
    mount.abort(t_s + 5)
    assert not mount.is_slewing(t_s + 5)
    assert not mount.is_tracking(t_s + 5)
    assert mount.reported(t_s + 5)[1] == pytest.approx(20, abs=0.1)
    assert mount.reported(t_s + 50)[1] == mount.reported(t_s + 5)[1]


def test_abort_on_the_way_to_park_leaves_the_mount_unparked() -> None:
    mount, t_s = mount_at(2, 40)
    mount.park(t_s)
    mount.abort(t_s + 1)
    assert not mount.is_parked(t_s + 1000)


def test_the_past_can_be_asked_for() -> None:
    mount, t_s = mount_at(2, 40)
    mount.pulse(t_s + 10, "north", 1000)
    before = mount.reported(t_s + 10.5)
    mount.park(t_s + 20)
    assert mount.reported(t_s + 10.5) == before


def test_a_southern_mount_points_where_it_says() -> None:
    site = Site(SiteSettings(latitude_deg=-33.0, longitude_deg=20.0))
    mount = Mount(
        PERFECT_MOUNT.model_copy(update={"park_dec_deg": -90.0}),
        site,
        np.random.SeedSequence(3),
        NOON_S,
    )
    mount.unpark(NOON_S)
    ra_hours = (site.sidereal_deg(NOON_S) / 15 + 2) % 24
    t_s = NOON_S + mount.begin_slew(NOON_S, ra_hours, -60.0)
    assert mount.pier_side(t_s) == "west"
    assert mount.reported(t_s) == pytest.approx((ra_hours, -60.0), abs=1e-6)
    ra, dec = true_apparent_deg(mount, t_s)
    assert (ra / 15, dec) == pytest.approx((ra_hours, -60.0), abs=1e-5)
