"""Backlash from the way back over a curve: one lag explains the sizes, whatever the direction.

The truth is a blurred disk of its own making: a Gaussian's size and a defocus added in quadrature,
which no code of the daemon draws; play is that of a gear with a gap.
"""

from math import hypot

import numpy as np
import pytest

from nightloom.focusing import Approach, Point, Travel, fit_points, plan_scan
from nightloom.focusing.backlash import Backlash, WayBack, expected_radius_px, misses

BEST, FOCUSED_PX, SLOPE = 25_000.0, 1.4, 0.035
ZONE_STEPS = 34.0


def size(drawtube: float, noise: float) -> float:
    return hypot(FOCUSED_PX, SLOPE * (drawtube - BEST)) * (1.0 + noise)


def travel(approach: Approach, known: int = 0) -> Travel:
    return Travel(0, 50_000, known, approach)


def measured(play: float, approach: Approach, seed: int) -> Backlash | None:
    """The way back over a curve without any noise but 3 % a frame (common practice, no source)."""
    generator = np.random.default_rng(seed)
    to = travel(approach)
    scan = plan_scan(BEST + 5, 18, 9, to)
    points = [
        Point(at, size(at, 0.03 * generator.standard_normal()), 60) for at in scan.positions_steps
    ]
    curve = fit_points(points, 10)
    assert curve.refusal is None
    way = WayBack(curve, scan.positions_steps[-1], scan.step_steps, to)
    seen: list[Point] = []
    while (at := way.next_steps(seen)) is not None:
        gone = max(to.sign * (way.top_steps - at) - play, 0.0)
        drawtube = way.top_steps - to.sign * gone
        seen.append(Point(at, size(drawtube, 0.03 * generator.standard_normal()), 60))
    return way.backlash(seen)


@pytest.mark.parametrize("approach", ["outward", "inward"])
@pytest.mark.parametrize("play", [0.0, 60.0, 200.0, 500.0, 700.0, 1500.0])
def test_the_play_is_measured_within_half_a_zone_or_a_fiftieth_of_it(
    play: float, approach: Approach
) -> None:
    for seed in range(5):
        found = measured(play, approach, seed)
        assert found is not None
        assert found.steps == pytest.approx(play, abs=max(ZONE_STEPS / 2, 0.02 * play))


def test_more_play_than_is_sought_is_none() -> None:
    """The run-up is 120 steps of the scan long, 2160 of the focuser."""
    assert measured(3000.0, "outward", 1) is None


def test_a_run_up_and_a_way_back_stay_within_the_travel() -> None:
    curve = fit_points([Point(a, size(a, 0.0), 60) for a in range(24_928, 25_073, 18)], 10)
    way = WayBack(curve, 25_072, 18, Travel(24_900, 25_200))
    assert way.run_up_steps == 24_900
    positions = []
    points: list[Point] = []
    while (at := way.next_steps(points)) is not None:
        positions.append(at)
        points.append(Point(at, size(25_072, 0.0), 60))
    assert min(positions) >= 24_900


def test_a_frame_confirms_within_the_zone_and_misses_beyond_it() -> None:
    """At the edge of the critical focus zone stars are sharp enough by definition; two zones off
    they are not. A frame without stars enough says nothing.
    """
    curve = fit_points([Point(a, size(a, 0.0), 60) for a in range(24_928, 25_073, 18)], 10)
    assert expected_radius_px(curve, ZONE_STEPS) < 1.35 * curve.radius_px

    def missed(off: float, noise: float, stars: int = 60) -> bool:
        point = Point(25_000, size(BEST + off, noise), stars)
        return misses(curve, ZONE_STEPS, point, 10)

    assert not any(missed(0.0, noise) for noise in (-0.06, 0.0, 0.06))
    assert not missed(ZONE_STEPS / 2, 0.0)
    assert all(missed(2 * ZONE_STEPS, noise) for noise in (-0.06, 0.0, 0.06))
    assert not missed(2 * ZONE_STEPS, 0.0, stars=9)
