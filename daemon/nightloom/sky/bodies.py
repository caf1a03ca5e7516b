"""The Sun and the Moon.

Positions come from ERFA's epv00 (Sun, well under 1″) and moon98 (Moon, about 10″, after Meeus's
Astronomical Algorithms); altitudes are as seen from the site.
"""

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightloom.sky.altitude import horizontal_deg, sidereal_deg
from nightloom.sky.equator import UNIX_EPOCH_JD, earth_pose, terrestrial_days
from nightloom.sky.site import Site
from nightloom.sky.sphere import angles_deg, separation_deg, vectors

KM_PER_AU = 149597870.7

SYNODIC_DAYS = 29.530588
"""Mean length of a lunation (Meeus, Astronomical Algorithms, ch. 49)."""

Floats = NDArray[np.float64]


def sun_position(unix_s: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Apparent geocentric right ascension and declination of date (deg), and distance (km).

    Of the shape of the moments, which are finite.
    """
    from_sun = erfa.epv00(UNIX_EPOCH_JD, terrestrial_days(unix_s))[0]["p"]
    distance_au, towards_sun = erfa.pn(-from_sun)
    pose, _ = earth_pose(unix_s)
    aberrated = erfa.ab(towards_sun, pose["v"], distance_au, pose["bm1"])
    return *_of_date(aberrated, unix_s), np.asarray(distance_au * KM_PER_AU)


def moon_position(unix_s: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Apparent geocentric right ascension and declination of date (deg), and distance (km).

    No aberration: the Moon travels with the Earth. Of the shape of the moments, which are finite.
    """
    distance_au, towards_moon = erfa.pn(erfa.moon98(UNIX_EPOCH_JD, terrestrial_days(unix_s))["p"])
    return *_of_date(towards_moon, unix_s), np.asarray(distance_au * KM_PER_AU)


def moon_phase_angle_deg(unix_s: ArrayLike) -> Floats:
    """Angle between Sun and Earth seen from the Moon: 0 when full, 180 when new (Meeus, ch. 48).

    Of the shape of the moments, which are finite.
    """
    sun_ra, sun_dec, sun_km = sun_position(unix_s)
    moon_ra, moon_dec, moon_km = moon_position(unix_s)
    apart = np.radians(separation_deg(sun_ra, sun_dec, moon_ra, moon_dec))
    return np.degrees(np.arctan2(sun_km * np.sin(apart), moon_km - sun_km * np.cos(apart)))


def moon_illumination(unix_s: ArrayLike) -> Floats:
    """Illuminated fraction of the Moon's disk, 0 to 1 (Meeus, Astronomical Algorithms, ch. 48).

    Of the shape of the moments, which are finite.
    """
    return np.asarray((1.0 + np.cos(np.radians(moon_phase_angle_deg(unix_s)))) / 2.0)


def moon_elongation_deg(unix_s: ArrayLike) -> Floats:
    """Ecliptic longitude of the Moon less that of the Sun: 0 when new, 180 when full.

    Of the shape of the moments, which are finite.
    """
    obliquity = erfa.obl06(UNIX_EPOCH_JD, terrestrial_days(unix_s))
    to_ecliptic = erfa.rx(obliquity, np.eye(3))
    longitudes = [
        angles_deg(erfa.rxp(to_ecliptic, vectors(ra, dec)))[0]
        for ra, dec, _ in (sun_position(unix_s), moon_position(unix_s))
    ]
    return np.asarray((longitudes[1] - longitudes[0]) % 360.0)


def full_moon(near_unix_s: ArrayLike) -> Floats:
    """Unix time of the full Moon nearest to a moment: where the apparent longitudes of both are
    180° apart. Of the shape of the moments, which are finite.
    """
    moment = np.asarray(near_unix_s, dtype=np.float64)
    # The Moon's pace varies by a seventh, so that each pass leaves a seventh of the error.
    for _ in range(6):
        short_deg = moon_elongation_deg(moment) - 180.0
        moment = moment - short_deg / 360.0 * SYNODIC_DAYS * 86400.0
    return moment


def sun_altitude_azimuth(site: Site, unix_s: ArrayLike) -> tuple[Floats, Floats]:
    """Altitude and azimuth of the Sun's centre in degrees, without refraction.

    Of the shape of the moments, which are finite.
    """
    return _seen_from(site, unix_s, *sun_position(unix_s))


def sun_altitude(site: Site, unix_s: ArrayLike) -> Floats:
    """Altitude of the Sun's centre in degrees, without refraction.

    Of the shape of the moments, which are finite.
    """
    return sun_altitude_azimuth(site, unix_s)[0]


def moon_altitude_azimuth(site: Site, unix_s: ArrayLike) -> tuple[Floats, Floats]:
    """Altitude and azimuth of the Moon's centre in degrees, without refraction.

    Of the shape of the moments, which are finite.
    """
    return _seen_from(site, unix_s, *moon_position(unix_s))


def _of_date(direction: Floats, unix_s: ArrayLike) -> tuple[Floats, Floats]:
    """Right ascension and declination of date (deg), (...), of ICRS directions, (..., 3)."""
    pose, origins = earth_pose(unix_s)
    ra, dec = angles_deg(erfa.rxp(pose["bpn"], direction))
    return (ra - np.degrees(origins)) % 360.0, dec


def _seen_from(
    site: Site, unix_s: ArrayLike, ra_deg: Floats, dec_deg: Floats, distance_km: Floats
) -> tuple[Floats, Floats]:
    """Altitude and azimuth of a near body, its parallax (up to 1° for the Moon) included.

    All of the shape of the moments, which are finite.
    """
    east_deg = ra_deg - sidereal_deg(unix_s)
    here_km = (
        erfa.gd2gc(
            1, np.radians(site.longitude_deg), np.radians(site.latitude_deg), site.elevation_m
        )
        / 1000.0
    )
    seen = vectors(east_deg, dec_deg) * np.asarray(distance_km)[..., None] - here_km
    longitude_deg, latitude_deg = angles_deg(seen)
    return horizontal_deg(site, site.longitude_deg - longitude_deg, latitude_deg)
