import subprocess
import sys

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import TETE, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from nightloom.sky import separation_deg, to_date
from nightloom.sky.equator import apparent_deg, terrestrial_days
from sky.moments import utc


@pytest.mark.parametrize("moment", [utc(2026, 11, 14, 20, 30), utc(2020, 6, 1, 1, 29, 59)])
@pytest.mark.parametrize("place", [(35.6375, 42.349), (148.888, 69.065), (266.4, -29.0), (10, 89)])
def test_to_date_agrees_with_astropy(moment: float, place: tuple[float, float]) -> None:
    """Apparent places agree with astropy's TETE frame to 0.1″."""
    time = Time(2440587.5, float(terrestrial_days(moment)), format="jd", scale="tt")
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        expected = SkyCoord(*place, unit=u.deg).transform_to(TETE(obstime=time))
    ra_h, dec_deg = to_date(*place, moment)
    apart = separation_deg(ra_h * 15, dec_deg, expected.ra.deg, expected.dec.deg)
    assert apart * 3600 < 0.1


def test_leap_seconds() -> None:
    """TT − UTC: 32.184 s + 10 s in 1972, + 27 s in early 1992, + 37 s since 2017 (IERS)."""
    for moment, tai_less_utc_s in [
        (utc(1972, 1, 1), 10),
        (utc(1992, 6, 30), 26),
        (utc(1992, 7, 1), 27),
        (utc(2016, 12, 31), 36),
        (utc(2026, 11, 14), 37),
    ]:
        offset_s = float(terrestrial_days(moment)) * 86400 - moment
        assert offset_s == pytest.approx(32.184 + tai_less_utc_s, abs=1e-5)


def test_arrays_of_any_shape() -> None:
    """A grid of moments gives what its moments give one by one."""
    moments = utc(2026, 11, 14) + np.arange(6.0).reshape(2, 3) * 5000
    ra, _ = apparent_deg(35.6, 42.3, moments)
    assert ra.shape == (2, 3)
    assert ra[1, 2] / 15 == to_date(35.6, 42.3, float(moments[1, 2]))[0]


def test_works_for_years_without_network_or_tables() -> None:
    """The sky needs neither the network nor Earth rotation tables, ten years from now either."""
    program = """
import socket, sys
def refuse(*_, **__): raise AssertionError("the network was asked")
socket.socket = socket.create_connection = socket.getaddrinfo = refuse
from datetime import date
from nightloom.sky import NightTable, Site, dark_hours, to_date
site = Site(47.1, 9.6, 820)
night = date(2036, 11, 14)
dark = dark_hours(site, night)
assert 11 * 3600 < dark.duration_s < 11.2 * 3600, dark
NightTable(site, dark, {"M31": (10.685, 41.269)}).airmass("M31", dark.start_unix_s)
to_date(10.685, 41.269, dark.start_unix_s)
assert "astropy.utils.iers" not in sys.modules
"""
    subprocess.run([sys.executable, "-W", "error", "-c", program], check=True, timeout=60)
