import math

import pytest

from nightloom.sky import (
    Site,
    moon_altitude_azimuth,
    moon_illumination,
    moon_position,
    sun_altitude_azimuth,
    sun_position,
)
from sky.moments import dynamical_1992, utc


def test_sun_position() -> None:
    """1992-10-13 0h TD: α 198.38083°, δ −7.78507° (Meeus, Astronomical Algorithms, ex. 25.a).

    His method there is good to 0.01°.
    """
    ra, dec, _ = sun_position(dynamical_1992(10, 13))
    assert float(ra) == pytest.approx(198.38083, abs=0.01)
    assert float(dec) == pytest.approx(-7.78507, abs=0.01)


def test_moon_position() -> None:
    """1992-04-12 0h TD: α 134.688469°, δ 13.768367°, 368409.7 km (Meeus, ex. 47.a)."""
    ra, dec, distance_km = moon_position(dynamical_1992(4, 12))
    assert float(ra) == pytest.approx(134.688469, abs=0.003)
    assert float(dec) == pytest.approx(13.768367, abs=0.003)
    assert float(distance_km) == pytest.approx(368409.7, abs=5)


def test_moon_phase() -> None:
    """1992-04-12 0h TD: illuminated fraction 0.6786 (Meeus, ex. 48.a)."""
    assert float(moon_illumination(dynamical_1992(4, 12))) == pytest.approx(0.6786, abs=1e-4)


def test_sun_over_golden_colorado() -> None:
    """Zenith 50.111622°, azimuth 194.340241° (Reda & Andreas, NREL/TP-560-34302, their example).

    2003-10-17 12:30:30 at UTC−7. Their refraction, equation 42, is added here.
    """
    site = Site(39.742476, -105.1786, 1830.14)
    altitude, azimuth = map(float, sun_altitude_azimuth(site, utc(2003, 10, 17, 19, 30, 30)))
    bent = math.radians(altitude + 10.3 / (altitude + 5.11))
    refraction = (820 / 1010) * (283 / (273 + 11)) * 1.02 / (60 * math.tan(bent))
    assert 90 - altitude - refraction == pytest.approx(50.111622, abs=0.003)
    assert azimuth == pytest.approx(194.340241, abs=0.003)


def test_parallax_lowers_the_moon() -> None:
    """Near the horizon the Moon stands lower than from the Earth's centre by about its parallax.

    The horizontal parallax of 1992-04-12 is 0.991990° (Meeus, ex. 47.a).
    """
    from nightloom.sky import sidereal_deg
    from nightloom.sky.altitude import horizontal_deg

    moment = dynamical_1992(4, 12)
    ra, dec, _ = moon_position(moment)
    on_equator = Site(0.0, float(ra - sidereal_deg(moment)) - 85.0)
    geocentric, _ = horizontal_deg(on_equator, -85.0, dec)
    topocentric, _ = moon_altitude_azimuth(on_equator, moment)
    lowered = float(geocentric - topocentric)
    assert lowered == pytest.approx(0.991990 * math.cos(math.radians(float(topocentric))), abs=2e-3)
