"""How the sky turns over a site."""

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightloom.sky.equator import UNIX_EPOCH_JD, apparent_deg, earth_pose
from nightloom.sky.site import Site

SIDEREAL_RATE = 1.00273781191135448  # turns of the sky in a day of UT1 (IERS Conventions 2010)

HOUR_S = 3600.0 / SIDEREAL_RATE
"""In this time the sky turns by an hour of hour angle."""

Floats = NDArray[np.float64]


def sidereal_deg(unix_s: ArrayLike, longitude_deg: float = 0.0) -> Floats:
    """Apparent sidereal time at a longitude, 0 to 360 (IAU 2006/2000A).

    Of the shape of the moments, which are finite.
    """
    turned = erfa.era00(UNIX_EPOCH_JD, np.asarray(unix_s, dtype=np.float64) / 86400.0)
    _, origins = earth_pose(unix_s)
    return np.asarray((np.degrees(turned - origins) + longitude_deg) % 360.0)


def horizontal_deg(
    site: Site, hour_angle_deg: ArrayLike, dec_deg: ArrayLike
) -> tuple[Floats, Floats]:
    """Altitude, and azimuth from north through east, in degrees, of an hour angle (west positive).

    Arguments broadcast; NaN stays NaN.
    """
    azimuth, altitude = erfa.hd2ae(
        np.radians(hour_angle_deg), np.radians(dec_deg), np.radians(site.latitude_deg)
    )
    return np.asarray(np.degrees(altitude)), np.degrees(azimuth) % 360.0


def altitude_azimuth(
    site: Site, ra_deg: ArrayLike, dec_deg: ArrayLike, unix_s: ArrayLike
) -> tuple[Floats, Floats]:
    """Altitude, and azimuth from north through east, in degrees, of ICRS places.

    Places and moments follow numpy's broadcasting: places of shape (n, 1) and moments of shape
    (m,) give (n, m). A NaN place gives NaN; moments are finite.
    """
    ra, dec = apparent_deg(ra_deg, dec_deg, unix_s)
    return horizontal_deg(site, sidereal_deg(unix_s, site.longitude_deg) - ra, dec)


def hour_angle_h(site: Site, ra_deg: ArrayLike, dec_deg: ArrayLike, unix_s: ArrayLike) -> Floats:
    """Hour angle of ICRS places, −12 to 12, west positive.

    Places and moments broadcast; a NaN place gives NaN, and moments are finite.
    """
    ra, _ = apparent_deg(ra_deg, dec_deg, unix_s)
    angle_deg = sidereal_deg(unix_s, site.longitude_deg) - ra
    return np.asarray((angle_deg + 180.0) % 360.0 - 180.0) / 15.0


def place_at(
    site: Site, altitude_deg: float, azimuth_deg: float, unix_s: float
) -> tuple[float, float]:
    """Right ascension and declination of date, in degrees, of a direction seen from a site.

    Half a degree from the ICRS place, by precession: enough for what needs no target.
    """
    angle, dec = erfa.ae2hd(
        np.radians(azimuth_deg), np.radians(altitude_deg), np.radians(site.latitude_deg)
    )
    sidereal = float(sidereal_deg(unix_s, site.longitude_deg))
    return (sidereal - float(np.degrees(angle))) % 360.0, float(np.degrees(dec))


def meridian_time(site: Site, ra_deg: float, dec_deg: float, near_unix_s: float) -> float:
    """The moment of upper transit nearest to the one given."""
    moment = near_unix_s
    for _ in range(2):  # the second pass mends what precession and aberration moved meanwhile
        moment -= float(hour_angle_h(site, ra_deg, dec_deg, moment)) * 3600.0 / SIDEREAL_RATE
    return moment
