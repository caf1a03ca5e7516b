from datetime import UTC, datetime

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import TETE, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from nightloom_drivers.physics.site import (
    Site,
    apparent_deg,
    greenwich_sidereal_deg,
    icrs_deg,
)
from nightloom_drivers.physics.sphere import unit
from nightloom_drivers.rig_settings import SiteSettings


def unix_s(*date: int) -> float:
    return datetime(*date, tzinfo=UTC).timestamp()  # type: ignore[arg-type, misc]


def test_sidereal_time() -> None:
    """Meeus, Astronomical Algorithms, example 12.a; the older nutation differs by under 0.1″."""
    assert greenwich_sidereal_deg(unix_s(1987, 4, 10)) == pytest.approx(197.6922296, abs=3e-5)


def test_altitude_and_azimuth_of_venus() -> None:
    """Meeus, example 13.b; his azimuth counts from the south."""
    site = Site(SiteSettings(latitude_deg=38.92138889, longitude_deg=-77.06555556))
    ra_deg = 15 * (23 + 9 / 60 + 16.641 / 3600)
    place = unit(ra_deg, -(6 + 43 / 60 + 11.61 / 3600))
    altitude, azimuth = site.altaz_deg(unix_s(1987, 4, 10, 19, 21), place)
    assert float(altitude) == pytest.approx(15.1249, abs=2e-4)
    assert float(azimuth) == pytest.approx(248.0337, abs=2e-4)


def test_sun_altitude() -> None:
    """Reda & Andreas, NREL/TP-560-34302: zenith distance 50.111622° at 820 mbar and 11 °C."""
    site = Site(SiteSettings(latitude_deg=39.742476, longitude_deg=-105.1786))
    altitude = site.sun_altitude_deg(unix_s(2003, 10, 17, 19, 30, 30))
    lifted = 1.02 / np.tan(np.radians(altitude + 10.3 / (altitude + 5.11))) / 60
    lifted *= 820 / 1010 * 283 / (273 + 11)  # Sæmundsson's refraction, Meeus ch. 16
    assert 90 - altitude - lifted == pytest.approx(50.111622, abs=0.004)


def test_moon_place_and_phase() -> None:
    """Meeus, examples 47.a and 48.a, seen from where the Moon is overhead."""
    t_s = unix_s(1992, 4, 12) - 58.184  # 0h dynamical time
    longitude = (134.688469 - greenwich_sidereal_deg(t_s) + 180) % 360 - 180
    site = Site(SiteSettings(latitude_deg=13.768367, longitude_deg=longitude))
    assert site.moon_altaz_deg(t_s)[0] == pytest.approx(90.0, abs=0.01)
    illuminated = (1 + np.cos(np.radians(site.moon_phase_angle_deg(t_s)))) / 2
    assert illuminated == pytest.approx(0.6786, abs=0.001)


def test_dusk() -> None:
    """Astronomical dusk 17:35:36 at 50.5° N 30.5° E on 2013-03-05: a public sun library's tests."""
    site = Site(SiteSettings(latitude_deg=50.5, longitude_deg=30.5))
    dusk_s = site.dusk_s(unix_s(2013, 3, 5, 20))
    assert dusk_s == pytest.approx(unix_s(2013, 3, 5, 17, 35, 36), abs=180)


@pytest.mark.parametrize("place", [(10.0, 60.0), (83.8, -5.4), (250.0, 89.0)])
def test_apparent_places_agree_with_astropy(place: tuple[float, float]) -> None:
    t_s = unix_s(2020, 2, 3, 4, 25)
    with iers.conf.set_temp("auto_download", False):
        expected = SkyCoord(*place, unit="deg").transform_to(TETE(obstime=Time(t_s, format="unix")))
    found = SkyCoord(*apparent_deg(t_s, *place), unit="deg", frame=expected.frame)
    assert found.separation(expected) < 0.05 * u.arcsec


def test_apparent_places_turn_back() -> None:
    t_s = unix_s(2026, 11, 14, 21)
    assert icrs_deg(t_s, *apparent_deg(t_s, 123.4, 56.7)) == pytest.approx((123.4, 56.7), abs=1e-10)
