"""Clouds in the middle of a curve, seen by its own stars."""

import numpy as np

from nightloom.focusing import Point, dimmed, light_ratio

RADII = (3.0, 2.2, 1.6, 1.3, 1.2, 1.3, 1.6, 2.2, 3.0)


def scan(*lights: float, stars: tuple[int, ...] = (50,) * 9) -> list[Point]:
    return [
        Point(n, radius, count, 4.0, light)
        for n, (radius, light, count) in enumerate(zip(RADII, lights, stars, strict=True))
    ]


def test_stars_are_compared_with_themselves() -> None:
    """A frame through cloud, moved by two pixels, with other stars besides."""
    rng = np.random.default_rng(1)
    places, light = rng.uniform(0, 1000, (40, 2)), rng.uniform(1, 100, 40)
    moved = np.concatenate([places[:25] + 2.0, rng.uniform(2000, 3000, (9, 2))])
    seen = np.concatenate([0.4 * light[:25], np.full(9, 500.0)])
    assert abs(light_ratio(moved, seen, places, light) - 0.4) < 0.02
    assert np.isnan(light_ratio(moved[25:], seen[25:], places, light))
    assert np.isnan(light_ratio(np.empty((0, 2)), np.empty(0), places, light))


def test_a_clear_scan_is_not_dimmed() -> None:
    """Light lost out of the aperture of wider stars is no cloud."""
    assert dimmed(scan(0.8, 0.85, 0.95, 1.0, 1.0, 1.0, 0.93, 0.84, 0.78), 8) == []
    assert dimmed([], 8) == []


def test_points_under_a_cloud_are_named() -> None:
    assert dimmed(scan(0.9, 1, 1, 0.5, 0.3, 0.4, 1, 1, 0.9), 8) == [3, 4, 5]
    assert dimmed(scan(0.4, 0.3, 0.2, 0.3, 0.3, 0.4, 1, 1, 0.9), 8) == [0, 1, 2, 3, 4, 5]


def test_points_whose_stars_are_gone_are_named_between_others() -> None:
    """At the ends stars may be missing because they are too wide."""
    stars = (3, 12, 50, 0, 2, 50, 50, 12, 0)
    lights = (np.nan, 1, 1, np.nan, np.nan, 1, 1, 1, np.nan)
    assert dimmed(scan(*lights, stars=stars), 8) == [3, 4]


def test_plenty_of_stars_do_not_vanish_by_one_step() -> None:
    """A cloud that came and stayed, or that was there and went."""
    nan, stars = np.nan, (60, 70, 70, 60, 0, 0, 2, 0, 0)
    lights = (1, 1, 1, 1, nan, nan, nan, nan, nan)
    assert dimmed(scan(*lights, stars=stars), 8) == [4, 5, 6, 7, 8]
    assert dimmed(scan(*lights[::-1], stars=stars[::-1]), 8) == [0, 1, 2, 3, 4]
