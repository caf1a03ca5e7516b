"""A short two-sided test of focus: brief frames inside and outside of where the focuser belongs.

When focus is right, stars are as large on the one side as on the other, whatever the air does. When
it moved, the side it moved to shows the smaller ones. Frames are taken inside, outside, outside,
inside, so that a steady change of the air falls out.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import inf, nan

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from nightloom.focusing.shape import BLURRED_DISK

Floats = NDArray[np.float64]

_OFFSET_ZONES = 0.75  # either side: far enough to tell, near enough for round stars
_SIDES = (-1, 1, 1, -1, -1, 1)
_FIRST = 4  # frames after which the test is judged for the first time
_AIR, _STARS = 0.03, 0.01  # relative scatter of brief frames: of the air's blur, of star sizes
_SCATTER_FRAMES = 4  # that is believed like so many frames
_KNOWN_ZONES = 0.125  # a standard error that needs no more frames; a shift that does not matter
_USEFUL_ZONES = 0.25  # a larger standard error leaves too much open
_NEAR_ZONES = 1.0  # farther shifts are extrapolated: a curve measures them
_SURE = 2.0  # standard errors


class CheckOutcome(Enum):
    """What a test says: nothing to do, move by the estimate, or take a whole curve."""

    STAYED = "stayed"
    MOVED = "moved"
    UNCLEAR = "unclear"


@dataclass(frozen=True)
class Check:
    """A test's result. `estimate_steps` is where best focus lies from the middle of the test.

    Both numbers are NaN when a side shows no stars.
    """

    estimate_steps: float
    error_steps: float
    verdict: CheckOutcome

    @property
    def direction(self) -> str:
        """Which way focus moved: outward (to higher positions), inward, or nowhere."""
        if self.verdict is CheckOutcome.STAYED or not np.isfinite(self.estimate_steps):
            return ""
        return "outward" if self.estimate_steps > 0 else "inward"


def next_offset_steps(count: int, zone_steps: float, check: Check | None) -> int | None:
    """Where the next brief frame is taken, from the middle; None when the test may end.

    Two frames either side, and a third when the error is still large.
    """
    if count >= len(_SIDES):
        return None
    if count >= _FIRST and check is not None and check.error_steps <= _KNOWN_ZONES * zone_steps:
        return None
    return _SIDES[count] * max(1, round(_OFFSET_ZONES * zone_steps))


def judge_check(
    offsets_steps: Sequence[float],
    radii_px: Sequence[float],
    slope_px_per_step: float,
    zone_steps: float,
) -> Check:
    """Judge the half-flux radii of a test; NaN where a frame showed too few stars.

    `slope_px_per_step` is the slope of the focus curve far out, `zone_steps` the critical focus
    zone. The focused radius is free: the air may have changed since the last curve.
    """
    offsets, radii = np.asarray(offsets_steps, float), np.asarray(radii_px, float)
    seen = np.isfinite(radii) & (radii > 0)
    offsets, radii = offsets[seen], radii[seen]
    if not (offsets < 0).any() or not (offsets > 0).any():
        return Check(nan, inf, CheckOutcome.UNCLEAR)
    estimate, error = _fit(offsets, np.log(radii), slope_px_per_step)
    return Check(estimate, error, _verdict(abs(estimate), error, zone_steps))


def _verdict(shift_steps: float, error_steps: float, zone_steps: float) -> CheckOutcome:
    if error_steps > _USEFUL_ZONES * zone_steps or shift_steps > _NEAR_ZONES * zone_steps:
        return CheckOutcome.UNCLEAR
    matters = shift_steps > _KNOWN_ZONES * zone_steps and shift_steps > _SURE * error_steps
    return CheckOutcome.MOVED if matters else CheckOutcome.STAYED


def _fit(offsets: Floats, sizes: Floats, slope: float) -> tuple[float, float]:
    """Least squares of ln radius for the best focus and the focused radius: the best focus and its
    standard error, in steps; the error is infinite where it cannot be told.

    `offsets` (steps) and `sizes` (ln px) are (n,), none NaN, `slope` px a step. Out of focus only
    part of a change of the air is seen.
    """
    reach = float(np.abs(offsets).max())

    def residuals(unknown: Floats) -> Floats:
        focus, size = unknown[0] * reach, unknown[1]
        away = slope * (offsets - focus) / np.exp(size)
        return np.asarray(size + np.log(BLURRED_DISK.growth(away)) - sizes)

    found = least_squares(residuals, [0.0, float(sizes.min())], bounds=([-4, -9], [4, 9]))
    away = slope * (offsets - found.x[0] * reach) / np.exp(found.x[1])
    seen = 1.0 - away * BLURRED_DISK.rise(away) / BLURRED_DISK.growth(away)
    scatter = float(np.mean((_AIR * seen) ** 2)) + _STARS**2
    squares = _SCATTER_FRAMES * scatter + float(found.fun @ found.fun)
    scatter2 = squares / (_SCATTER_FRAMES + len(sizes) - 2)
    try:
        covariance = np.linalg.inv(found.jac.T @ found.jac) * scatter2
    except np.linalg.LinAlgError:
        return float(found.x[0] * reach), inf
    return float(found.x[0] * reach), float(covariance[0, 0] ** 0.5 * reach)
