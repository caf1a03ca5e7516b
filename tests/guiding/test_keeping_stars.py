"""Guide stars that wander, fade, jump or are lost, and how they are kept and found."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guiding.star_images import Star, moved, star_image
from nightloom.guiding import (
    GuideStars,
    find_guide_stars,
    is_doubtful,
    measure,
    recovered_shift,
    sharpened,
    too_few,
    with_hold_point_of,
)

FIELD: list[Star] = [
    (60.3, 50.7, 60_000),
    (150.6, 120.2, 25_000),
    (250.1, 80.4, 15_000),
    (90.8, 190.9, 12_000),
    (270.5, 200.5, 9_000),
]
ELSEWHERE: list[Star] = [(40.2, 150.3, 30_000), (180.4, 60.9, 20_000), (280.7, 140.1, 10_000)]
FULL_ADU = 65_535


def choose(image: np.ndarray) -> GuideStars:
    return find_guide_stars(image, saturation_adu=FULL_ADU, count_max=8, margin_px=16)


@settings(max_examples=15)
@given(st.floats(-40, 40), st.floats(-30, 30), st.integers(0, 2**32 - 1))
def test_a_field_that_jumped_is_found_by_its_pattern(dx: float, dy: float, seed: int) -> None:
    """Far beyond any window, and with some stars over the edge."""
    rng = np.random.default_rng(seed)
    stars = choose(star_image(FIELD, rng=rng))
    jumped = star_image(moved(FIELD, dx, dy), rng=rng)
    assert recovered_shift(jumped, stars, saturation_adu=FULL_ADU) == pytest.approx(
        (dx, dy), abs=0.5
    )


def test_another_field_and_a_cloud_are_not_taken_for_it() -> None:
    rng = np.random.default_rng(1)
    stars = choose(star_image(FIELD, rng=rng))
    for other in (ELSEWHERE, []):
        assert recovered_shift(star_image(other, rng=rng), stars, saturation_adu=FULL_ADU) is None


def test_a_lone_star_is_found_too() -> None:
    rng = np.random.default_rng(2)
    stars = choose(star_image(FIELD[:1], rng=rng))
    jumped = star_image(moved(FIELD[:1], 30.0, 20.0), rng=rng)
    found = recovered_shift(jumped, stars, saturation_adu=FULL_ADU)
    assert found == pytest.approx((30.0, 20.0), abs=0.3)


def test_a_stranger_in_one_window_is_doubted_and_a_bright_star_in_cloud_is_not() -> None:
    rng = np.random.default_rng(3)
    stars = choose(star_image(FIELD, rng=rng))
    stranger = measure(star_image([(158.0, 127.0, 9_000)], rng=rng), stars, radius_px=14)
    assert stranger.held == 1
    assert is_doubtful(stranger, (0.0, 0.0))
    in_cloud = measure(star_image(moved(FIELD[:1], 0.3, 0.1), rng=rng), stars, radius_px=14)
    assert in_cloud.held == 1
    assert not is_doubtful(in_cloud, (0.0, 0.0))


def test_references_sharpen_with_time_and_the_hold_point_stays() -> None:
    """The first frame's error in each reference averages out; their weighted mean does not move."""
    rng = np.random.default_rng(4)
    first = choose(star_image(FIELD, rng=rng))
    stars = first
    for _ in range(150):
        stars = sharpened(stars, measure(star_image(FIELD, rng=rng), stars, radius_px=8))

    def shape_error(which: GuideStars) -> float:
        off = which.x_px - np.array([x for x, _, _ in FIELD])
        return float(np.std(off))

    assert shape_error(stars) < 0.7 * shape_error(first)
    frame = star_image(FIELD, rng=rng)
    before, after = (measure(frame, which, radius_px=8) for which in (first, stars))
    assert after.dx_px == pytest.approx(before.dx_px, abs=0.02)


def test_stars_chosen_anew_keep_the_hold_point_and_the_clear_level() -> None:
    """Three of five have left the frame; the new choice sees the same error and the same light."""
    rng = np.random.default_rng(5)
    stars = choose(star_image(FIELD, rng=rng))
    frame = star_image([*moved(FIELD[:2], 0.7, -0.4, 0.9), *moved(ELSEWHERE, 0, 0)], rng=rng)
    seen = measure(frame, stars, radius_px=8)
    fresh = with_hold_point_of(seen, choose(frame))
    again = measure(frame, fresh, radius_px=8)
    assert again.held == 5
    assert (again.dx_px, again.dy_px) == pytest.approx((seen.dx_px, seen.dy_px), abs=0.03)
    assert again.flux_ratio == pytest.approx(seen.flux_ratio, rel=0.05)


def test_few_stars_behind_a_cloud_are_not_replaced() -> None:
    rng = np.random.default_rng(6)
    stars = choose(star_image(FIELD, rng=rng))
    seen = measure(star_image(moved(FIELD, 0, 0, 0.02), rng=rng), stars, radius_px=8)
    assert 0 < seen.held < 3
    assert not too_few(seen)
