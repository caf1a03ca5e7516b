"""What hides the lower sky at a site."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray


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
        """Height of the horizon at an azimuth."""
        return np.asarray(
            np.interp(np.asarray(azimuth_deg), self._azimuth_deg, self._altitude_deg, period=360.0)
        )
