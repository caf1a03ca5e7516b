"""Keeping the set of guide stars good while it wanders: references sharpened, stars replaced."""

import math
from dataclasses import replace

import numpy as np

from nightloom.guiding.centroid import Measurement
from nightloom.guiding.stars import GuideStars

# Each frame's share in a star's reference place: a minute's mean, slow enough to keep the hold
# point, quick enough for a field that turns about a badly aligned pole.
SHARE = 0.03
# With fewer than this part of the chosen stars held under a clear sky, others are looked for.
HELD_MIN, CLEAR_MIN = 0.5, 0.7
# So few of the chosen stars are not believed when they have jumped as far as this.
FEW, JUMP_PX = 0.34, 2.0


def sharpened(stars: GuideStars, seen: Measurement) -> GuideStars:
    """The same stars, each reference a little nearer to where the star is among the others.

    The weighted mean of the changes is nothing, so that the hold point stays. Stars that are not
    held, NaN in ``seen``, keep their references; the arrays keep their shape (n,).
    """
    if seen.held < 3:
        return stars
    held, weight = seen.is_held, seen.star_error_px[seen.is_held] ** -2.0
    off = np.array([seen.x_px - stars.x_px, seen.y_px - stars.y_px])[:, held]
    change = np.zeros((2, len(stars)))
    change[:, held] = SHARE * (off - (off @ weight / weight.sum())[:, None])
    return stars.shifted(*change)


def is_doubtful(seen: Measurement, near_px: tuple[float, float]) -> bool:
    """Whether the few stars held may be others that came into the windows of those that left.

    Behind a cloud the brightest ones stay where they were; after a bump nothing does.
    """
    if not 0 < seen.held <= FEW * len(seen.is_held):
        return False
    return math.hypot(seen.dx_px - near_px[0], seen.dy_px - near_px[1]) > JUMP_PX


def too_few(seen: Measurement) -> bool:
    """Whether stars have wandered off, rather than behind a cloud."""
    return 0 < seen.held < HELD_MIN * len(seen.is_held) and seen.flux_ratio > CLEAR_MIN


def with_hold_point_of(seen: Measurement, chosen: GuideStars) -> GuideStars:
    """Stars newly chosen in the frame of ``seen``, with the hold point and the clear level of
    the old ones. At least one of these must be held, so that its offset is not NaN.
    """
    moved = chosen.shifted(-seen.dx_px, -seen.dy_px)
    return replace(moved, flux_adu=moved.flux_adu / seen.flux_ratio)
