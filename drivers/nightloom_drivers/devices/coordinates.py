"""Two numbers on the sky, and how far apart they are."""

import math
from typing import NamedTuple


class Position(NamedTuple):
    """Right ascension and declination, true equator and equinox of date, as INDI mounts use."""

    ra_hours: float
    dec_deg: float

    def distance_deg(self, other: "Position") -> float:
        """Great-circle distance by the haversine formula, which is exact for small angles too."""
        half_dec = math.radians(other.dec_deg - self.dec_deg) / 2
        half_ra = math.radians((other.ra_hours - self.ra_hours) * 15) / 2
        cosines = math.cos(math.radians(self.dec_deg)) * math.cos(math.radians(other.dec_deg))
        haversine = math.sin(half_dec) ** 2 + cosines * math.sin(half_ra) ** 2
        return math.degrees(2 * math.asin(min(1.0, math.sqrt(haversine))))
