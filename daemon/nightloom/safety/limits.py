"""The guard's limits, as plain functions: each says which limit would be broken, or nothing."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nightloom.sky import (
    Site,
    altitude_azimuth,
    separation_deg,
    sun_altitude,
    sun_position,
    to_date,
)
from nightloom.sky.sphere import angles_deg, vectors

SUN_IS_DOWN_DEG = -2.0
"""Below this the Sun cannot shine into a telescope: 0.83° for refraction and radius, and room."""

PATH_POINTS = 181
"""A slew crosses at most 180°, so that the path is looked at each degree or closer."""


def weather(reasons: Sequence[str]) -> str:
    """Unsafe weather forbids to open and to move."""
    return f"the weather is unsafe ({'; '.join(reasons)})" if reasons else ""


def daylight(site: Site, unix_s: float, limit_deg: float) -> str:
    """No roof opens while the Sun is higher than this."""
    height_deg = float(sun_altitude(site, unix_s))
    if height_deg <= limit_deg:
        return ""
    return f"the Sun stands at {height_deg:+.1f}°, and the roof opens below {limit_deg:+g}°"


def altitude(site: Site, ra_deg: float, dec_deg: float, unix_s: float, floor_deg: float) -> str:
    """Nothing is to be pointed at below the floor."""
    height_deg = float(altitude_azimuth(site, ra_deg, dec_deg, unix_s)[0])
    if height_deg >= floor_deg:
        return ""
    return f"its altitude is {height_deg:.1f}°, the floor is {floor_deg:g}°"


def hour_angle(hour_angle_h: float, side: str, allowed_h: tuple[float, float]) -> str:
    """From each side of the pier the telescope may turn so far and no further."""
    lowest_h, highest_h = allowed_h
    if lowest_h <= hour_angle_h <= highest_h:
        return ""
    return (
        f"its hour angle is {hour_angle_h:+.2f} h, and {side} of the pier"
        f" {lowest_h:+g} to {highest_h:+g} h are allowed"
    )


def sun(
    site: Site,
    here_of_date: tuple[float, float],
    there_icrs_deg: tuple[float, float],
    unix_s: float,
    distance_deg: float,
    *,
    turns_over: bool = False,
) -> str:
    """While the Sun is up, no point of a slew may come near it.

    A mount turns both axes at once, each at a pace of its own: all places are looked at that lie
    between both right ascensions and both declinations; besides, the long way round with
    declination following evenly, and the great circle. One that `turns_over` to the other side of
    its pier goes over the pole, and may pass anything north (south) of the lower end on its way.
    `here_of_date` is right ascension in hours and declination, as the mount reads.
    """
    if float(sun_altitude(site, unix_s)) < SUN_IS_DOWN_DEG:
        return ""
    here, there = _in_degrees(here_of_date), _in_degrees(to_date(*there_icrs_deg, unix_s))
    sun_ra_deg, sun_dec_deg, _ = sun_position(unix_s)
    nearest = min(
        float(np.min(separation_deg(ra_deg, dec_deg, sun_ra_deg, sun_dec_deg)))
        for ra_deg, dec_deg in _paths(here, there)
    )
    if turns_over:
        pole = 1.0 if site.latitude_deg >= 0 else -1.0
        lower_deg = min(pole * here[1], pole * there[1])
        nearest = min(nearest, max(0.0, lower_deg - pole * float(sun_dec_deg)))
    if nearest >= distance_deg:
        return ""
    return f"the way passes {nearest:.1f}° from the Sun, {distance_deg:g}° is the least"


def _in_degrees(place: tuple[float, float]) -> tuple[float, float]:
    return 15.0 * place[0], place[1]


def _paths(
    here: tuple[float, float], there: tuple[float, float]
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    part = np.linspace(0.0, 1.0, PATH_POINTS)
    short_deg = (there[0] - here[0] + 180.0) % 360.0 - 180.0
    long_deg = short_deg - np.copysign(360.0, short_deg)
    dec = here[1] + part * (there[1] - here[1])
    ends = vectors(here[0], here[1]), vectors(there[0], there[1])
    chord = ends[0] + part[:, None] * (ends[1] - ends[0])
    return [
        ((here[0] + part * short_deg)[:, None], dec),
        (here[0] + part * long_deg, dec),
        angles_deg(chord),
    ]
