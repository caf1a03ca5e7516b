"""Where the next dither points: evenly spread, never near an earlier pointing, not far away."""

import math

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
    ``least_px`` from each of them, and from those of other nights, ``elsewhere``, as far as there
    is room in the disc: otherwise half of that, or at last SAME_PX.
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
    wishes_px = [max(SAME_PX, wish_px) for wish_px in (least_px, least_px / 2, 0.0)]
    while True:
        free, clear_px = _free_points(used, others, radius_px, least_px, index * NIGHT_STRIDE)
        for wish_px in wishes_px:
            best = free[clear_px >= wish_px][:AHEAD]
            if len(best):
                nearest = best[np.hypot(*(best - here).T).argmin()]
                return float(nearest[0]), float(nearest[1])
        radius_px *= math.sqrt(2)


def room_for(radius_px: float, least_px: float) -> int:
    """About how many pointings of a night `next_dither` places in a disc before it widens.

    Measured on discs of twice to ten times the distance: 1.6 to 2.3 (radius / distance)².
    """
    return max(1, int(2 * (radius_px / max(least_px, SAME_PX)) ** 2))


def is_free(
    place: tuple[float, float], earlier: Floats, least_px: float, elsewhere: Floats
) -> bool:
    """Whether a place keeps the distances that `next_dither` promises from ``earlier`` pointings
    (n, 2) and those ``elsewhere`` (m, 2); NaN is not expected.
    """
    here_px = _nearest_px(np.array([place]), earlier)[0]
    there_px = _nearest_px(np.array([place]), elsewhere)[0]
    return bool(here_px >= least_px and here_px > 0 and there_px >= SAME_PX)


def _free_points(
    used: Floats, others: Floats, radius_px: float, least_px: float, start: int
) -> tuple[Floats, Floats]:
    """Points of the disc away from those used, in the order of the sequence: (k, 2).

    With each its distance from the nearest of `others`, (k,); `used` and `others` are (n, 2).
    No more are looked for than it takes to find `AHEAD` that are as far from those.
    """
    # Enough points to leave no hole the size of the least distance.
    count = BLOCK + int(16 * min((radius_px / max(least_px, 1e-9)) ** 2, 1000.0))
    count += 2 * (len(used) + len(others))
    free, clear_px = np.empty((0, 2)), np.empty(0)
    for first in range(start + 1, start + count, BLOCK):
        points = radius_px * (2 * r2_points(first, BLOCK) - 1)
        points = points[np.hypot(*points.T) <= radius_px]
        here_px = _nearest_px(points, used)
        points = points[(here_px >= least_px) & (here_px > 0)]
        free = np.concatenate([free, points])
        clear_px = np.concatenate([clear_px, _nearest_px(points, others)])
        if np.count_nonzero(clear_px >= max(least_px, SAME_PX)) >= AHEAD:
            break
    return free, clear_px


def _nearest_px(points: Floats, places: Floats) -> Floats:
    """Distance (m,) of each point (m, 2) from the nearest place (n, 2); infinite for n = 0."""
    apart = points[:, None] - places
    nearest: Floats = np.hypot(apart[..., 0], apart[..., 1]).min(axis=1, initial=math.inf)
    return nearest
