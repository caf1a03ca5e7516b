"""The same quantities from a second general-purpose library, PyEphem, over places and dates.

PyEphem rests on libastro (VSOP87 and Moshier's Moon), and shares no code with ERFA.
"""

import math
from datetime import date
from itertools import product

import ephem
import numpy as np
import pytest

from nightloom.sky import (
    Interval,
    NightTable,
    Site,
    altitude_azimuth,
    dark_hours,
    full_moon,
    moon_altitude_azimuth,
    moon_illumination,
    night_span,
    separation_deg,
    sun_altitude_azimuth,
)

SITES = {
    "equator": Site(0.0, -78.5, 2800.0),
    "Alps": Site(47.1, 9.6, 820.0),
    "New South Wales": Site(-33.0, 149.1, 600.0),
    "Lapland": Site(69.7, 18.9, 100.0),
    "Spitsbergen": Site(78.2, 15.6, 50.0),
    "Antarctica": Site(-77.8, 166.7, 10.0),
    "Arctic Ocean": Site(85.0, 0.0),
}
NIGHTS = [date(2026, 3, 5), date(2026, 6, 21), date(2026, 9, 10), date(2028, 12, 21)]
CASES = list(product(SITES, NIGHTS))
EPHEM_EPOCH_UNIX_S = -2209032000.0
"""PyEphem counts days from noon of 1899-12-31."""


def to_ephem(unix_s: float) -> float:
    return (unix_s - EPHEM_EPOCH_UNIX_S) / 86400.0


def to_unix_s(days: float) -> float:
    return days * 86400.0 + EPHEM_EPOCH_UNIX_S


def observer(site: Site, unix_s: float) -> ephem.Observer:
    """An observer without air, as our altitudes are without refraction."""
    here = ephem.Observer()
    here.lat, here.lon = math.radians(site.latitude_deg), math.radians(site.longitude_deg)
    here.elevation, here.pressure, here.date = site.elevation_m, 0, to_ephem(unix_s)
    return here


def seen(body: ephem.Body, site: Site, unix_s: float) -> tuple[float, float]:
    body.compute(observer(site, unix_s))
    return math.degrees(body.alt), math.degrees(body.az)


@pytest.mark.parametrize(("place", "night"), CASES)
def test_sun_moon_and_a_star(place: str, night: date) -> None:
    """Directions agree to 30″: 15″ are the turn of the sky in UT1 − UTC, 10″ the Moon's theory."""
    site = SITES[place]
    star = ephem.FixedBody()
    star._ra, star._dec, star._epoch = math.radians(35.64), math.radians(42.35), ephem.J2000
    for moment in night_span(site, night).grid(4 * 3600):
        ours = {
            "sun": sun_altitude_azimuth(site, moment),
            "moon": moon_altitude_azimuth(site, moment),
            "star": altitude_azimuth(site, 35.64, 42.35, moment),
        }
        theirs = {"sun": ephem.Sun(), "moon": ephem.Moon(), "star": star}
        for name, (altitude_deg, azimuth_deg) in ours.items():
            alt, az = seen(theirs[name], site, float(moment))
            assert separation_deg(azimuth_deg, altitude_deg, az, alt) * 3600 < 30, name
        moon = ephem.Moon(observer(site, float(moment)))
        assert float(moon_illumination(moment)) == pytest.approx(moon.phase / 100, abs=0.012)


@pytest.mark.parametrize("sun_altitude_deg", [-12.0, -18.0])
@pytest.mark.parametrize(("place", "night"), CASES)
def test_dark_hours(place: str, night: date, sun_altitude_deg: float) -> None:
    """Both ends agree to 10 s; where the Sun never crosses, both say which way."""
    site = SITES[place]
    span = night_span(site, night)
    dark = dark_hours(site, night, sun_altitude_deg)
    here, sun = observer(site, span.start_unix_s), ephem.Sun()
    here.horizon = math.radians(sun_altitude_deg)
    try:
        dusk = to_unix_s(here.next_setting(sun, use_center=True))
        dawn = to_unix_s(here.next_rising(sun, use_center=True))
    except ephem.AlwaysUpError:
        assert dark is None
    except ephem.NeverUpError:
        assert dark == span
    else:
        assert dark is not None
        # Where the Sun grazes the level, seconds of arc are minutes of time.
        slack_s = 10.0 if abs(site.latitude_deg) < 60 else 60.0
        assert dark.start_unix_s == pytest.approx(dusk, abs=slack_s)
        assert dark.end_unix_s == pytest.approx(dawn, abs=slack_s)


def test_the_cases_hold_nights_of_every_kind() -> None:
    """Guards the comparison above: nights with, without, and of nothing but darkness."""
    kinds = {
        "none" if dark is None else "all" if dark.duration_s > 86000 else "some"
        for place, night in CASES
        for dark in [dark_hours(SITES[place], night)]
    }
    assert kinds == {"none", "some", "all"}


@pytest.mark.parametrize(("place", "night"), CASES)
def test_the_moon_rises_and_sets(place: str, night: date) -> None:
    """Rising and setting agree to 20 s where the Moon does either; PyEphem refracts by 34′."""
    site = SITES[place]
    span = night_span(site, night)
    up = NightTable(site, span, {}).moon_up()
    here, moon = observer(site, span.start_unix_s), ephem.Moon()
    here.horizon = math.radians(-34 / 60)
    for event, ours in (
        (here.next_rising, [one.start_unix_s for one in up]),
        (here.next_setting, [one.end_unix_s for one in up]),
    ):
        try:
            theirs = to_unix_s(event(moon))
        except (ephem.AlwaysUpError, ephem.NeverUpError):
            continue
        if span.start_unix_s < theirs < span.end_unix_s and abs(site.latitude_deg) < 60:
            assert min(abs(moment - theirs) for moment in ours) < 20


def test_full_moons_of_a_year() -> None:
    """To half a minute, which is 15″ of the Moon's way."""
    moment = ephem.Date("2026/1/1")
    for _ in range(12):
        moment = ephem.next_full_moon(moment)
        unix_s = to_unix_s(float(moment))
        assert float(full_moon(unix_s + 86400 * 9)) == pytest.approx(unix_s, abs=30)


def test_moonlight_in_a_table() -> None:
    """A night's table gives what the formulas give; under the Moon the sky is brighter."""
    site, night = SITES["Alps"], date(2026, 11, 24)  # full Moon
    dark = dark_hours(site, night)
    assert dark is not None
    table = NightTable(site, dark, {"M33": (23.46, 30.66)})
    moment = float(np.mean([dark.start_unix_s, dark.end_unix_s]))
    assert float(table.moon_altitude(moment)) > 30
    assert float(table.sky_nl("M33", moment)) > 5 * float(table.sky_nl("M33", moment, 0.0))


def moonlight_nl(site: Site, place: tuple[float, float], unix_s: float) -> tuple[float, float]:
    """Moonlight and dark sky at a place in nL: Krisciunas & Schaefer, PASP 103, 1033 (1991).

    Their equations 2, 3, 15, 20 and 21 as they are printed, with k = 0.172 and 79 nL, over
    PyEphem's positions.
    """
    here = observer(site, unix_s)
    moon, sun, star = ephem.Moon(), ephem.Sun(), ephem.FixedBody()
    star._ra, star._dec, star._epoch = *map(math.radians, place), ephem.J2000
    for body in (moon, sun, star):
        body.compute(here)
    apart = math.degrees(ephem.separation((moon.az, moon.alt), (star.az, star.alt)))
    phase = 180.0 - abs(math.degrees(ephem.separation(moon, sun)))
    air = [(1 - 0.96 * math.cos(body.alt) ** 2) ** -0.5 for body in (moon, star)]
    moon_light = 10 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase**4))
    mie = 10 ** (6.15 - apart / 40) if apart > 10 else 6.2e7 / apart**2
    scattering = 10**5.36 * (1.06 + math.cos(math.radians(apart)) ** 2) + mie
    light = scattering * moon_light * 10 ** (-0.4 * 0.172 * air[0])
    dark = 79 * 10 ** (-0.4 * 0.172 * (air[1] - 1)) * air[1]
    return light * (1 - 10 ** (-0.4 * 0.172 * air[1])) if moon.alt > 0 else 0.0, dark


@pytest.mark.parametrize("part", [1.0, 0.06], ids=["broad", "narrow"])
def test_dim_enough_under_the_moon(part: float) -> None:
    """A moment is allowed when the published model's sky is no brighter than the limit.

    Near the limit, by less than 3 %, the libraries' phase angles may decide it differently.
    """
    site, night = SITES["Alps"], Interval(1795215600.0, 1795215600.0 + 43200.0)
    places = {"M45": (56.75, 24.12), "M81": (148.89, 69.07)}
    table = NightTable(site, night, places)
    seen = set()
    for name, place in places.items():
        for limit in (1.1, 2.0, 5.0, 20.0):
            allowed = table.dim_enough(name, limit, part)
            for moment in night.grid(1800.0):
                light, dark = moonlight_nl(site, place, moment)
                ratio = 1 + part * light / dark
                if abs(ratio / limit - 1) > 0.03:
                    assert any(moment in one for one in allowed) == (ratio < limit)
                    seen.add(ratio < limit)
    assert seen == {True, False}
