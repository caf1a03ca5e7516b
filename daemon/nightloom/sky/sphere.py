"""Angles between directions."""

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def separation_deg(
    first_longitude_deg: ArrayLike,
    first_latitude_deg: ArrayLike,
    second_longitude_deg: ArrayLike,
    second_latitude_deg: ArrayLike,
) -> Floats:
    """Angle between two directions of one frame (right ascension and declination, say).

    Arguments broadcast; NaN stays NaN.
    """
    return np.asarray(
        np.degrees(
            erfa.seps(
                np.radians(first_longitude_deg),
                np.radians(first_latitude_deg),
                np.radians(second_longitude_deg),
                np.radians(second_latitude_deg),
            )
        )
    )


def vectors(longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Floats:
    """Unit vectors, (..., 3) with x, y, z last, of angles that broadcast to (...).

    NaN stays NaN.
    """
    return np.asarray(erfa.s2c(np.radians(longitude_deg), np.radians(latitude_deg)))


def angles_deg(directions: Floats) -> tuple[Floats, Floats]:
    """Longitude (0 to 360) and latitude, (...), of vectors of any length, (..., 3).

    NaN stays NaN.
    """
    longitude, latitude = erfa.c2s(directions)
    return np.degrees(longitude) % 360.0, np.asarray(np.degrees(latitude))
