import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from hypothesis import given
from hypothesis import strategies as st

from nightloom.sky import (
    Site,
    airmass,
    altitude_azimuth,
    hour_angle_h,
    meridian_time,
    separation_deg,
    sidereal_deg,
)
from nightloom.sky.altitude import horizontal_deg
from sky.moments import utc

LARKFOLD = Site(47.1, 9.6, 820.0)


def test_sidereal_time() -> None:
    """1987-04-10 0h UT: apparent 197.6922296° (Meeus, Astronomical Algorithms, ex. 12.a).

    Meeus's UT is UT1, and he uses the older nutation: allow 0.5 s of turn.
    """
    assert float(sidereal_deg(utc(1987, 4, 10))) == pytest.approx(197.6922296, abs=0.002)


def test_altitude_and_azimuth_of_venus() -> None:
    """Washington, 1987-04-10 19:21 UT: A 248.0337° from north, h 15.1249° (Meeus, ex. 13.b)."""
    washington = Site(38 + 55 / 60 + 17 / 3600, -(77 + 3 / 60 + 56 / 3600))
    dec_deg = -(6 + 43 / 60 + 11.61 / 3600)
    altitude, azimuth = horizontal_deg(washington, 64.352133, dec_deg)
    assert float(altitude) == pytest.approx(15.1249, abs=1e-4)
    assert float(azimuth) == pytest.approx(248.0337, abs=1e-4)


def test_agrees_with_astropy() -> None:
    """Altitude and azimuth agree with astropy's AltAz to 15″, the turn in 0.9 s of UT1 − UTC."""
    moments = utc(2026, 11, 14, 17) + np.arange(0, 12) * 3600.0
    place = EarthLocation(
        lat=LARKFOLD.latitude_deg * u.deg, lon=LARKFOLD.longitude_deg * u.deg, height=820 * u.m
    )
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        frame = AltAz(obstime=Time(moments, format="unix"), location=place)
        expected = SkyCoord(35.6375, 42.349, unit=u.deg).transform_to(frame)
        expected_deg = expected.az.deg, expected.alt.deg
    altitude, azimuth = altitude_azimuth(LARKFOLD, 35.6375, 42.349, moments)
    assert np.all(separation_deg(azimuth, altitude, *expected_deg) * 3600 < 15)


@given(st.floats(0, 359.99), st.floats(-80, 80), st.floats(utc(2020, 1, 1), utc(2035, 1, 1)))
def test_meridian_time(ra_deg: float, dec_deg: float, moment: float) -> None:
    """At its meridian time, within half a day, a target's hour angle is nought."""
    transit = meridian_time(LARKFOLD, ra_deg, dec_deg, moment)
    assert abs(float(hour_angle_h(LARKFOLD, ra_deg, dec_deg, transit))) * 3600 < 0.1
    assert abs(transit - moment) < 43200


def test_separation_of_arcturus_and_spica() -> None:
    """32.7930° (Meeus, ex. 17.a)."""
    apart = separation_deg(213.9154, 19.1825, 201.2983, -11.1614)
    assert float(apart) == pytest.approx(32.7930, abs=1e-4)


@pytest.mark.parametrize(
    ("zenith_deg", "pickering", "kasten_young"),
    [
        (30, 1.1541, 1.1540),
        (60, 1.9932, 1.9943),
        (75, 3.8082, 3.8129),
        (80, 5.5807, 5.5860),
        (85, 10.3337, 10.3058),
    ],
)
def test_airmass(zenith_deg: float, pickering: float, kasten_young: float) -> None:
    """Computed from Pickering (2002), and from Kasten & Young (1989) as a second opinion."""
    seen = float(airmass(90 - zenith_deg))
    assert seen == pytest.approx(pickering, abs=1e-4)
    assert seen == pytest.approx(kasten_young, rel=0.003)


def test_no_airmass_below_the_horizon() -> None:
    """Below the horizon the airmass is NaN; at the zenith it is 1."""
    below, zenith = airmass([-1.0, 90.0])
    assert np.isnan(below)
    assert zenith == pytest.approx(1.0, abs=1e-3)
