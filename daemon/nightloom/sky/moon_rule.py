"""How near the Moon a target may be, by the Moon's age."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightloom.sky.bodies import moon_elongation_deg

SYNODIC_DAYS = 29.530588
"""Mean length of a lunation (Meeus, Astronomical Algorithms, ch. 49)."""

Floats = NDArray[np.float64]


def least_moon_distance_deg(
    distance_deg: float, width_days: float, days_from_full: ArrayLike
) -> Floats:
    """The least distance from the Moon, D / (1 + (d/W)²).

    `distance_deg` (D) holds at full Moon and has halved `width_days` (W) before and after it. The
    rule is that of the Berkeley automated imaging telescope's team. Of the shape of the days; NaN
    stays NaN.
    """
    age = np.asarray(days_from_full, dtype=np.float64) / width_days
    return np.asarray(distance_deg / (1.0 + age**2))


def days_from_full_moon(unix_s: ArrayLike) -> Floats:
    """Days to or from the nearest full Moon.

    Of the shape of the moments, which are finite.
    """
    moments = np.asarray(unix_s, dtype=np.float64)
    return np.asarray(np.abs(moments - full_moon(moments)) / 86400.0)


def full_moon(near_unix_s: ArrayLike) -> Floats:
    """The full Moon nearest to a moment: where the apparent longitudes of both are 180° apart.

    Of the shape of the moments, which are finite.
    """
    moment = np.asarray(near_unix_s, dtype=np.float64)
    # The Moon's pace varies by a seventh, so that each pass leaves a seventh of the error.
    for _ in range(6):
        short_deg = moon_elongation_deg(moment) - 180.0
        moment = moment - short_deg / 360.0 * SYNODIC_DAYS * 86400.0
    return moment
