"""Where the next dither points: evenly spread, never near an earlier pointing, not far away."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# The real root of x³ = x + 1, from which the R2 sequence takes its steps (Roberts 2018).
PLASTIC_NUMBER = 1.324717957244746
R2_STEP = np.array([1 / PLASTIC_NUMBER, 1 / PLASTIC_NUMBER**2])
# Nights start this far apart in the sequence, so that each has points of its own.
NIGHT_STRIDE = 1009
BLOCK = 128
# The nearest of this many free points is taken: a shorter move settles sooner, and the points
# passed over are still first in line next time. In a disc of radius R the mean step falls from
# 1.1 R to 0.45 R; the largest hole that 40 pointings leave grows by 8 %.
AHEAD = 8


def r2_points(first: int, count: int) -> Floats:
    """Points ``first`` to ``first + count - 1`` of the R2 sequence from 0.5, (count, 2) in [0, 1).

    Source: M. Roberts, The unreasonable effectiveness of quasirandom sequences, 2018.
    """
    number = np.arange(first, first + count, dtype=np.float64)[:, None]
    points: Floats = (0.5 + number * R2_STEP) % 1.0
    return points


# Nearer than this to a pointing of another night a star falls on the same pixels again.
SAME_PX = 0.25


def next_dither(
    earlier: Floats,
    radius_px: float,
    least_px: float,
    index: int,
    elsewhere: Floats | None = None,
) -> tuple[float, float]:
    """The next offset (dx, dy) from the target's own pointing, in main-camera pixels.

    ``earlier``: offsets already used, shape (n, 2), the present one last. The new one is at least
    ``least_px`` from each of them, and SAME_PX from those of other nights, ``elsewhere``.
    ``index`` is the number of the night: each has another start.
    The distance is the promise and the radius the wish: when the disc of ``radius_px`` is full,
    one of twice the area is used, and so on, because a night must not stop for lack of room.
    Raises ValueError for a radius, a distance or an index that makes no sense.
    """
    if not (0 < radius_px < math.inf and 0 <= least_px < math.inf and index >= 0):
        raise ValueError(
            f"dither needs radius > 0, distance ≥ 0 and index ≥ 0, "
            f"got {radius_px} px, {least_px} px and {index}"
        )
    used = np.asarray(earlier, dtype=np.float64).reshape(-1, 2)
    others = np.empty((0, 2)) if elsewhere is None else np.asarray(elsewhere, dtype=np.float64)
    here = used[-1] if len(used) else np.zeros(2)
    while True:
        free = _free_points(used, others, radius_px, least_px, index * NIGHT_STRIDE)
        if len(free):
            nearest = free[np.hypot(*(free - here).T).argmin()]
            return float(nearest[0]), float(nearest[1])
        radius_px *= math.sqrt(2)


def is_free(
    place: tuple[float, float], earlier: Floats, least_px: float, elsewhere: Floats
) -> bool:
    """Whether a place keeps the distances that `next_dither` promises."""
    return bool(_apart(np.array([place]), earlier, least_px, elsewhere)[0])


def _free_points(
    used: Floats, others: Floats, radius_px: float, least_px: float, start: int
) -> Floats:
    """Up to `AHEAD` points of the disc, in the order of the sequence, away from those used."""
    # Enough points to leave no hole the size of the least distance.
    count = BLOCK + int(16 * min((radius_px / max(least_px, 1e-9)) ** 2, 1000.0))
    count += 2 * (len(used) + len(others))
    free = np.empty((0, 2))
    for first in range(start + 1, start + count, BLOCK):
        points = radius_px * (2 * r2_points(first, BLOCK) - 1)
        points = points[np.hypot(*points.T) <= radius_px]
        points = points[_apart(points, used, least_px, others)]
        free = np.concatenate([free, points])[:AHEAD]
        if len(free) == AHEAD:
            break
    return free


def _apart(points: Floats, used: Floats, least_px: float, others: Floats) -> NDArray[np.bool_]:
    """Which points are far enough from all pointings of this night and of others."""
    here, there = _distances(points, used), _distances(points, others)
    near = np.hstack([here < least_px, here == 0, there < SAME_PX])
    return np.array([not row.any() for row in near], dtype=np.bool_)


def _distances(points: Floats, places: Floats) -> Floats:
    distances: Floats = np.hypot(*np.moveaxis(points[:, None] - places, -1, 0))
    return distances


@dataclass(frozen=True)
class CameraPair:
    """How the guide camera lies against the main one.

    ``rotation_deg`` turns main-camera directions into guide-camera ones, from +x towards +y;
    ``mirrored`` says that the guide camera sees one reflection more or less.
    """

    main_arcsec_per_px: float
    guide_arcsec_per_px: float
    rotation_deg: float = 0.0
    mirrored: bool = False

    def to_guide(self, dx_px: float, dy_px: float) -> tuple[float, float]:
        """A shift of the stars in main-camera pixels as guide-camera pixels."""
        ratio = self.main_arcsec_per_px / self.guide_arcsec_per_px
        turn = math.radians(self.rotation_deg)
        x, y = ratio * dx_px, ratio * (-dy_px if self.mirrored else dy_px)
        return (
            x * math.cos(turn) - y * math.sin(turn),
            x * math.sin(turn) + y * math.cos(turn),
        )
