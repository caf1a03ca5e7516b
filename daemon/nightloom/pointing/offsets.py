"""By how much the mount misses, learned from the last corrections, so that it misses by less."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from nightloom_drivers.devices import PierSide

NEW_PART = 0.5
"""What the newest miss counts: an index error shows at once, chance is averaged over a few."""

COS_MIN = 0.02
"""Nearer than a degree to the pole right ascension means nothing."""

SkyPlace = tuple[float, float]
"""Right ascension and declination in degrees."""

Miss = tuple[float, float]
"""Degrees on the sky, east and north."""


def miss_deg(aim: SkyPlace, seen: SkyPlace) -> Miss:
    """How far east and north of the aim a telescope looks, on the sky."""
    east = ((seen[0] - aim[0] + 180.0) % 360.0 - 180.0) * _cos(seen[1])
    return east, seen[1] - aim[1]


def beside(place: SkyPlace, miss: Miss) -> SkyPlace:
    """Where to aim for a mount that misses by so much to look at a place."""
    ra_deg = (place[0] - miss[0] / _cos(place[1])) % 360.0
    return ra_deg, max(-90.0, min(90.0, place[1] - miss[1]))


@dataclass(frozen=True)
class Known:
    """A miss in the state in which the mount began the night; `doubted` until confirmed."""

    miss: Miss
    doubted: bool = False
    tonight: bool = False


class PointingOffsets:
    """A running offset for each side of the pier: index, cone and flexure change with the side.

    Mounts differ in what they remember by the next night of what they were told. So misses are
    kept as they were before anything was told, which a mount that forgets begins with again. The
    first slew of a night from a side votes: one that would have landed nearer without what is known
    puts the new miss in its place, which is used tonight, and on a later night once that agrees.
    """

    def __init__(
        self, known: Mapping[PierSide, Known] | None = None, told: Miss = (0.0, 0.0)
    ) -> None:
        self._by_side, self.told = dict(known or {}), told

    def aim(self, side: PierSide, place: SkyPlace) -> SkyPlace:
        """Where to aim, from a side, to look at a place."""
        known = self._by_side.get(side)
        if known is None or (known.doubted and not known.tonight):
            return place
        return beside(place, _less(known.miss, self.told))

    def learn(self, side: PierSide, miss: Miss) -> Known:
        """A slew missed by so much: what is known of that side now."""
        seen = miss[0] + self.told[0], miss[1] + self.told[1]
        before = self._by_side.get(side, Known(seen, tonight=True))
        known = Known(_mixed(before.miss, seen), before.doubted, tonight=True)
        if not before.tonight:
            contradicts = math.hypot(*_less(seen, before.miss)) > math.hypot(*seen)
            known = Known(seen if contradicts else known.miss, contradicts, tonight=True)
        self._by_side[side] = known
        return known

    def tell(self, side: PierSide, miss: Miss) -> Known:
        """The mount was told where it looks: on that side it misses no longer.

        What it is told moves the places of the other side as well.
        """
        self.told = self.told[0] + miss[0], self.told[1] + miss[1]
        self._by_side[side] = replace(self._by_side[side], miss=self.told)
        return self._by_side[side]


def _less(one: Miss, other: Miss) -> Miss:
    return one[0] - other[0], one[1] - other[1]


def _mixed(old: Miss, new: Miss) -> Miss:
    return old[0] + NEW_PART * (new[0] - old[0]), old[1] + NEW_PART * (new[1] - old[1])


def _cos(dec_deg: float) -> float:
    return max(COS_MIN, math.cos(math.radians(dec_deg)))
