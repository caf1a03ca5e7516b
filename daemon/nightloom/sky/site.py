"""The place on Earth, what hides its lower sky, and how much air the light crosses."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True)
class Site:
    """Geodetic latitude (north positive), longitude (east positive) and height."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0


class Horizon:
    """A profile of (azimuth_deg, altitude_deg) points, joined by straight lines round the circle.

    Azimuth runs from north through east. No points: the sea, 0° all round.
    """

    def __init__(self, points: Iterable[tuple[float, float]] = ()) -> None:
        ordered = sorted((azimuth % 360.0, altitude) for azimuth, altitude in points) or [
            (0.0, 0.0)
        ]
        self._azimuth_deg = np.array([azimuth for azimuth, _ in ordered])
        self._altitude_deg = np.array([altitude for _, altitude in ordered])

    def altitude_deg(self, azimuth_deg: ArrayLike) -> NDArray[np.float64]:
        """Height of the horizon at an azimuth.

        Of the shape of the azimuth; NaN stays NaN.
        """
        return np.asarray(
            np.interp(np.asarray(azimuth_deg), self._azimuth_deg, self._altitude_deg, period=360.0)
        )


def airmass(altitude_deg: ArrayLike) -> NDArray[np.float64]:
    """Relative airmass at an altitude, of its shape; NaN below the horizon, and where it is NaN.

    Pickering, "The Southern Limits of the Ancient Star Catalog", DIO 12 (2002). It agrees with
    Kasten & Young, Applied Optics 28 (1989), to 0.3 % above 5°.
    """
    altitude = np.asarray(altitude_deg, dtype=np.float64)
    above = np.where(altitude >= 0, altitude, np.nan)
    return np.asarray(1.0 / np.sin(np.radians(above + 244.0 / (165.0 + 47.0 * above**1.1))))
