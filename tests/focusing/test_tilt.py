"""The tilt that a curve shows: of frames of stars, and of curves as they should be."""

from math import isnan, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.focusing import BLURRED_DISK, Point, measure_tilt

POSITIONS = range(9_840, 10_161, 40)
MIDDLES = np.array([-1, 0, 1]) / 3
BEST_STEPS, RADIUS_PX, SLOPE = 10_000.0, 1.3, 0.02


def points(columns_steps: float, rows_steps: float, stars: int = 20) -> list[Point]:
    """A curve whose nine parts have their best focus on a plane."""
    best = BEST_STEPS + columns_steps * MIDDLES[None, :] + rows_steps * MIDDLES[:, None]
    return [
        Point(
            position,
            RADIUS_PX,
            9 * stars,
            part_radii_px=tuple(
                RADIUS_PX * BLURRED_DISK.growth(SLOPE * (position - best.ravel()) / RADIUS_PX)
            ),
            part_stars=(stars,) * 9,
        )
        for position in POSITIONS
    ]


@settings(max_examples=25)
@given(st.floats(-60.0, 60.0), st.floats(-60.0, 60.0))
def test_a_plane_of_best_focus_is_found(columns_steps: float, rows_steps: float) -> None:
    tilt = measure_tilt(points(columns_steps, rows_steps))
    assert tilt.columns_steps == pytest.approx(columns_steps, abs=1.0)
    assert tilt.rows_steps == pytest.approx(rows_steps, abs=1.0)
    assert tilt.error_steps < 1.0


def test_too_few_stars_tell_no_tilt() -> None:
    assert isnan(measure_tilt(points(30.0, 0.0, stars=2)).columns_steps)
    assert isnan(measure_tilt([Point(position, nan, 0) for position in POSITIONS]).error_steps)
