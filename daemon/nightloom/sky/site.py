"""The place on Earth."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Site:
    """Geodetic latitude (north positive), longitude (east positive) and height."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0
