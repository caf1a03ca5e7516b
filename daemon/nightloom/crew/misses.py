"""By how much the mount misses, learned from the last corrections, so that it misses by less."""

import math

from nightloom_drivers.devices import PierSide

NEW_PART = 0.5
"""What the newest miss counts: an index error shows at once, chance is averaged over a few."""

COS_MIN = 0.02
"""Nearer than a degree to the pole right ascension means nothing."""

Place = tuple[float, float]
"""Right ascension and declination in degrees."""


def miss_deg(aim: Place, seen: Place) -> tuple[float, float]:
    """How far east and north of the aim a telescope looks, on the sky."""
    east = ((seen[0] - aim[0] + 180.0) % 360.0 - 180.0) * _cos(seen[1])
    return east, seen[1] - aim[1]


def beside(place: Place, miss: tuple[float, float]) -> Place:
    """Where to aim for a mount that misses by so much to look at a place."""
    ra_deg = (place[0] - miss[0] / _cos(place[1])) % 360.0
    return ra_deg, max(-90.0, min(90.0, place[1] - miss[1]))


class Misses:
    """A running offset for each side of the pier: index, cone and flexure change with the side."""

    def __init__(self) -> None:
        self._by_side: dict[PierSide, tuple[float, float]] = {}

    def aim(self, side: PierSide, place: Place) -> Place:
        """Where to aim, from a side, to look at a place."""
        return beside(place, self._by_side.get(side, (0.0, 0.0)))

    def learn(self, side: PierSide, miss: tuple[float, float]) -> None:
        """A slew missed by so much."""
        known = self._by_side.get(side, miss)
        self._by_side[side] = (
            known[0] + NEW_PART * (miss[0] - known[0]),
            known[1] + NEW_PART * (miss[1] - known[1]),
        )

    def told(self, side: PierSide, miss: tuple[float, float]) -> None:
        """The mount was told where it looks: on that side it misses no longer.

        What it is told moves the places of the other side as well.
        """
        for other, known in self._by_side.items():
            self._by_side[other] = known[0] - miss[0], known[1] - miss[1]
        self._by_side[side] = 0.0, 0.0


def _cos(dec_deg: float) -> float:
    return max(COS_MIN, math.cos(math.radians(dec_deg)))
