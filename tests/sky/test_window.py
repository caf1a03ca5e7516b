from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.sky import (
    Horizon,
    Interval,
    NightTable,
    Site,
    airmass,
    altitude_azimuth,
    dark_hours,
    hour_angle_h,
    intervals_above,
    moon_altitude_azimuth,
    separation_deg,
    sun_altitude,
    to_date,
    window,
)

LARKFOLD = Site(47.1, 9.6, 820.0)
NIGHT = date(2026, 11, 14)
TARGETS = {"NGC 891": (35.64, 42.35), "M81": (148.89, 69.07), "NGC 1499": (60.83, 36.42)}
HORIZON = Horizon([(0, 12), (110, 18), (310, 22)])


def dark() -> Interval:
    interval = dark_hours(LARKFOLD, NIGHT)
    assert interval is not None
    return interval


@pytest.fixture(scope="module")
def table() -> NightTable:
    return NightTable(LARKFOLD, dark(), TARGETS)


def test_horizon_goes_round() -> None:
    """Between the last point and the first the line goes on through north."""
    profile = Horizon([(350, 10), (10, 20), (180, 0)])
    assert profile.altitude_deg([350, 0, 360, 10, 95]).tolist() == [10, 15, 15, 20, 10]
    assert Horizon().altitude_deg(123.0) == 0
    assert Horizon([(90, 7)]).altitude_deg(300.0) == 7


@given(st.lists(st.floats(-5, 5), min_size=2, max_size=30))
def test_intervals_above_hold_what_is_above(heights: list[float]) -> None:
    """Every sample well above the level is in an interval, and no sample below it is inside one."""
    moments = np.arange(float(len(heights)))
    intervals = intervals_above(moments, np.array(heights))
    for moment, height in zip(moments, heights, strict=True):
        if height < 0:
            assert not any(i.start_unix_s < moment < i.end_unix_s for i in intervals)
        if height > 1e-6:
            assert any(moment in interval for interval in intervals)


def test_window_ends_at_the_spherical_triangle() -> None:
    """The window of M81 opens at cos H = (sin h − sin φ sin δ)/(cos φ cos δ), the textbook's."""
    floor_deg, (ra_deg, dec_deg) = 35.0, TARGETS["M81"]
    (rising,) = window(LARKFOLD, (ra_deg, dec_deg), floor_deg, HORIZON, dark())
    _, dec_of_date_deg = to_date(ra_deg, dec_deg, rising.start_unix_s)
    floor, latitude, dec = np.radians([floor_deg, 47.1, dec_of_date_deg])
    cosine = (np.sin(floor) - np.sin(latitude) * np.sin(dec)) / (np.cos(latitude) * np.cos(dec))
    hour_angle = -np.degrees(np.arccos(cosine))
    seen = hour_angle_h(LARKFOLD, ra_deg, dec_deg, rising.start_unix_s)
    assert float(seen) == pytest.approx(hour_angle / 15, abs=0.001)
    assert rising.end_unix_s == dark().end_unix_s


def test_a_wall_splits_the_window() -> None:
    """A wall across the path of a target leaves a window on either side."""
    wall = Horizon([(246, 0), (247, 80), (260, 80), (261, 0)])
    before, after = window(LARKFOLD, TARGETS["NGC 891"], 20.0, wall, dark())
    assert before.end_unix_s < after.start_unix_s
    _, azimuth = altitude_azimuth(
        LARKFOLD, *TARGETS["NGC 891"], np.array([before.end_unix_s, after.start_unix_s])
    )
    assert azimuth == pytest.approx([247.0, 260.0], abs=1.0)


def test_table_agrees_with_direct_computation(table: NightTable) -> None:
    """Interpolated directions are within 1″ of computed ones; so are the Sun and the Moon."""
    moments = np.linspace(dark().start_unix_s, dark().end_unix_s, 997)
    for name, place in TARGETS.items():
        altitude, azimuth = table.altitude_azimuth(name, moments)
        expected = altitude_azimuth(LARKFOLD, *place, moments)
        assert np.all(separation_deg(azimuth, altitude, expected[1], expected[0]) * 3600 < 1)
        assert np.allclose(table.airmass(name, moments), airmass(expected[0]), rtol=1e-4)
        moon = moon_altitude_azimuth(LARKFOLD, moments)
        apart = separation_deg(expected[1], expected[0], moon[1], moon[0])
        assert np.allclose(table.moon_separation_deg(name, moments), apart, atol=1 / 1800)
        assert table.window(name, 30.0, HORIZON) == window(LARKFOLD, place, 30.0, HORIZON, dark())
    assert np.allclose(table.sun_altitude(moments), sun_altitude(LARKFOLD, moments), atol=1 / 3600)


def test_table_knows_its_limits(table: NightTable) -> None:
    """A moment outside the night is refused, not extrapolated."""
    with pytest.raises(ValueError, match="outside the table's span"):
        table.sun_altitude(dark().end_unix_s + 1)
