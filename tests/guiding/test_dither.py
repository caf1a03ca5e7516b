"""The dither sequence against its published values, and the distance it promises."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import pdist

from nightloom.guiding import is_free, next_dither
from nightloom.guiding.dither import R2_STEP, SAME_PX, r2_points, room_for


def walk(count: int, radius_px: float, least_px: float, index: int = 0) -> np.ndarray:
    pointings = np.zeros((1, 2))
    for _ in range(count):
        pointings = np.vstack([pointings, next_dither(pointings, radius_px, least_px, index)])
    return pointings


def test_sequence_has_the_published_steps_and_first_points() -> None:
    """M. Roberts, The unreasonable effectiveness of quasirandom sequences, 2018."""
    assert pytest.approx([0.7548776662, 0.5698402910], abs=1e-10) == R2_STEP
    first = [[0.25488, 0.06984], [0.00976, 0.63968], [0.76463, 0.20952]]
    assert r2_points(1, 3) == pytest.approx(np.array(first), abs=1e-5)


@pytest.mark.parametrize(("count", "spacing"), [(8, 0.768), (32, 0.798), (128, 0.767)])
def test_sequence_keeps_its_spacing(count: int, spacing: float) -> None:
    """Least distance × √n in the unit square, computed from the formula of Roberts 2018."""
    assert pdist(r2_points(1, count)).min() * math.sqrt(count) == pytest.approx(spacing, abs=0.001)


@settings(max_examples=40)
@given(
    st.integers(1, 40),
    st.floats(2, 30),
    st.floats(0.5, 6),
    st.integers(0, 10**6),
)
def test_least_distance_is_always_kept(
    count: int, radius_px: float, least_px: float, index: int
) -> None:
    """Also when the disc is full and has to widen."""
    assert pdist(walk(count, radius_px, least_px, index)).min() >= least_px


@pytest.mark.parametrize(
    ("radius_px", "least_px", "a_cycle", "widest_px"),
    [(12.0, 3.0, 1, 24.0), (12.0, 3.0, 2, 34.0), (40.0, 3.0, 1, 40.0), (2.0, 2.0, 1, 16.0)],
)
def test_no_two_pointings_of_a_filter_are_near_over_a_hundred_cycles(
    radius_px: float, least_px: float, a_cycle: int, widest_px: float
) -> None:
    """All pointings keep the distance, so those of any filter do, in whichever it is taken.

    A radius that is too small for so many is left, but no further than the room asks: the disc has
    at most eight times the area of the circles of half the distance around each.
    """
    pointings = walk(100 * a_cycle, radius_px, least_px, 700_000)
    assert pdist(pointings).min() >= least_px
    farthest_px = np.hypot(*pointings.T).max()
    assert farthest_px <= widest_px
    assert farthest_px <= max(radius_px, least_px / 2 * math.sqrt(8 * len(pointings)))
    steps = np.hypot(*np.diff(pointings, axis=0).T)
    assert steps.mean() < 0.55 * farthest_px


@pytest.mark.parametrize(("radius_px", "least_px"), [(6, 3), (12, 3), (20, 3), (20, 5), (10, 2)])
def test_the_room_of_a_disc_is_known_beforehand(radius_px: float, least_px: float) -> None:
    room = room_for(radius_px, least_px)
    pointings = walk(2 * room, radius_px, least_px, 739_000)
    outside = np.hypot(*pointings.T) > radius_px
    assert 0.65 * room < outside.argmax() < 1.45 * room


def test_a_roomy_disc_keeps_the_distance_from_other_nights_too() -> None:
    """A hundred cycles in four nights."""
    everywhere = np.empty((0, 2))
    for night in range(4):
        pointings = np.empty((0, 2))
        for _ in range(25):
            place = next_dither(pointings, 24.0, 3.0, 739_000 + night, everywhere)
            pointings = np.vstack([pointings, place])
        everywhere = np.vstack([everywhere, pointings])
    assert pdist(everywhere).min() >= 3.0
    assert np.hypot(*everywhere.T).max() <= 24.0


def test_no_place_is_used_again_on_another_night() -> None:
    """Twenty nights of 25 pointings on one target, each within the disc or a little beyond."""
    nights: list[np.ndarray] = []
    for night in range(20):
        elsewhere = np.vstack(nights) if nights else np.empty((0, 2))
        pointings = np.empty((0, 2))
        for _ in range(25):
            place = next_dither(pointings, 12.0, 3.0, 739_000 + night, elsewhere)
            assert is_free(place, pointings, 3.0, elsewhere)
            pointings = np.vstack([pointings, place])
        nights.append(pointings)
    everywhere = np.vstack(nights)
    assert pdist(everywhere).min() >= SAME_PX
    assert np.hypot(*everywhere.T).max() <= 12.0 * math.sqrt(2)


def test_a_place_is_free_by_its_distances() -> None:
    here, there = np.array([[0.0, 0.0]]), np.array([[5.0, 0.0]])
    assert is_free((3.0, 0.0), here, 3.0, there)
    assert not is_free((2.9, 0.0), here, 3.0, there)
    assert not is_free((5.1, 0.0), here, 3.0, there)


@pytest.mark.parametrize("index", [0, 1, 250])
def test_roomy_disc_is_not_left(index: int) -> None:
    """40 pointings 3 px apart need well under a disc of 20 px."""
    pointings = walk(40, 20.0, 3.0, index)
    assert np.hypot(*pointings.T).max() <= 20.0


def test_steps_are_shorter_than_those_of_random_points() -> None:
    """Two random points of a disc are 0.9054 R apart on average, 128/(45π) (integral geometry)."""
    pointings = walk(40, 20.0, 3.0)
    steps = np.hypot(*np.diff(pointings, axis=0).T)
    assert steps.mean() < 0.55 * 128 / (45 * math.pi) * 20.0


def test_pointings_fill_the_disc_evenly() -> None:
    """Every quadrant gets its part."""
    pointings = walk(40, 20.0, 2.0)[1:]
    quadrants = np.bincount(2 * (pointings[:, 0] > 0) + (pointings[:, 1] > 0), minlength=4)
    assert quadrants.min() >= 6


def test_each_night_starts_elsewhere_and_repeats_itself() -> None:
    none = np.empty((0, 2))
    starts = {next_dither(none, 10.0, 2.0, night) for night in range(50)}
    assert len(starts) == 50
    assert next_dither(none, 10.0, 2.0, 7) == next_dither(none, 10.0, 2.0, 7)


@pytest.mark.parametrize(
    ("radius_px", "least_px", "index"), [(0, 1, 0), (math.nan, 1, 0), (5, -1, 0), (5, 1, -1)]
)
def test_senseless_request_is_an_error(radius_px: float, least_px: float, index: int) -> None:
    with pytest.raises(ValueError, match="dither needs"):
        next_dither(np.empty((0, 2)), radius_px, least_px, index)
