from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.sky import Site, dark_hours, night_of, night_span
from sky.moments import utc

KYIV = Site(50.5, 30.5)


@pytest.mark.parametrize(
    ("sun_altitude_deg", "dusk"),
    [
        (-0.8333, utc(2013, 3, 5, 15, 46, 57)),
        (-6.0, utc(2013, 3, 5, 16, 19, 36)),
        (-12.0, utc(2013, 3, 5, 16, 57, 22)),
        (-18.0, utc(2013, 3, 5, 17, 35, 36)),
    ],
)
def test_evening_twilights(sun_altitude_deg: float, dusk: float) -> None:
    """50.5° N 30.5° E, 2013-03-05, from a general-purpose sun library's tests (good to 2 min)."""
    dark = dark_hours(KYIV, date(2013, 3, 5), sun_altitude_deg)
    assert dark is not None
    assert dark.start_unix_s == pytest.approx(dusk, abs=120)


def test_morning_twilight() -> None:
    """Astronomical dawn of 2013-03-05 at 02:46:17 UTC, from the same tests."""
    dark = dark_hours(KYIV, date(2013, 3, 4), -18.0)
    assert dark is not None
    assert dark.end_unix_s == pytest.approx(utc(2013, 3, 5, 2, 46, 17), abs=120)


def test_edges_of_the_dark() -> None:
    """At both ends of the dark hours the Sun stands at the altitude asked, to 1″·15."""
    from nightloom.sky import sun_altitude

    dark = dark_hours(KYIV, date(2026, 11, 14))
    assert dark is not None
    ends = np.array([dark.start_unix_s, dark.end_unix_s])
    assert np.allclose(sun_altitude(KYIV, ends), -18.0, atol=15 / 3600)


def test_midsummer_never_gets_dark() -> None:
    """North of 48.6° the midsummer Sun stays above −18°."""
    assert dark_hours(KYIV, date(2026, 6, 21)) is None


def test_polar_night_is_dark_all_day() -> None:
    """At 85° N in December the Sun stays below −18° from noon to noon."""
    pole = Site(85.0, 0.0)
    assert dark_hours(pole, date(2026, 12, 21)) == night_span(pole, date(2026, 12, 21))


@pytest.mark.parametrize(
    ("longitude_deg", "moment", "night"),
    [
        (9.6, utc(2026, 11, 14, 17), date(2026, 11, 14)),
        (9.6, utc(2026, 11, 15, 5), date(2026, 11, 14)),
        (9.6, utc(2026, 11, 15, 13), date(2026, 11, 15)),
        (-156.3, utc(2026, 11, 15, 6), date(2026, 11, 14)),  # evening on Hawaii
        (174.8, utc(2026, 11, 14, 9), date(2026, 11, 14)),  # evening in New Zealand
        (174.8, utc(2026, 11, 14, 16), date(2026, 11, 14)),
    ],
)
def test_a_night_is_named_for_its_evening(longitude_deg: float, moment: float, night: date) -> None:
    """The local solar date of the evening names the night until the next noon."""
    assert night_of(moment, Site(0.0, longitude_deg)) == night


@given(st.floats(-180, 360), st.floats(utc(2020, 1, 1), utc(2035, 1, 1)))
def test_each_moment_is_in_its_night(longitude_deg: float, moment: float) -> None:
    """The span of the night of a moment contains it."""
    site = Site(0.0, longitude_deg)
    assert moment in night_span(site, night_of(moment, site))
