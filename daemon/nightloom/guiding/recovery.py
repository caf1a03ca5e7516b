"""Recovery of lost guide stars, by their pattern, anywhere in the frame."""

from collections.abc import Callable

import numpy as np

from nightloom.frames.image import Frame
from nightloom.guiding.stars import GuideStars, find_guide_stars

COUNT_MAX = 30
# Two frames place the same star to a fraction of a pixel; a pair this near is the same star.
NEAR_PX = 2.0
# Chance brings two of thirty stars into place now and then, and three hardly ever.
SAME_MIN = 3


def recovered_shift(
    image: Frame,
    stars: GuideStars,
    *,
    saturation_adu: float,
    find: Callable[..., GuideStars] = find_guide_stars,
) -> tuple[float, float] | None:
    """How far the stars have moved together, (dx, dy) in px, or None when they are not there.

    ``image`` is (rows, columns) without NaN, in which ``find`` finds stars. Every pair of a
    reference star and one in the frame votes for a shift; the shift that brings most stars into
    place wins, if it brings `SAME_MIN`, or all there are of fewer.
    """
    seen = find(image, saturation_adu=saturation_adu, count_max=COUNT_MAX, margin_px=4)
    if not len(seen) or not len(stars):
        return None
    shifts = np.stack(
        [np.subtract.outer(seen.x_px, stars.x_px), np.subtract.outer(seen.y_px, stars.y_px)],
        axis=-1,
    ).reshape(-1, 2)
    near = np.hypot(*np.moveaxis(shifts[:, None] - shifts, -1, 0)) < NEAR_PX
    votes = near.sum(axis=1)
    best = int(votes.argmax())
    if votes[best] < min(SAME_MIN, len(stars)):
        return None
    dx, dy = np.median(shifts[near[best]], axis=0)
    return float(dx), float(dy)
