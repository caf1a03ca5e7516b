from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.focusing import (
    BLURRED_DISK,
    SCANS_MAX,
    Aim,
    Approach,
    Curve,
    Point,
    Refusal,
    Scan,
    Travel,
    fit_curve,
    fit_points,
    judge_scan,
    next_scan,
    plan_scan,
)

Stars = Callable[[float], tuple[float, int]]

OUTWARD = Travel(1000, 50000, backlash_steps=40)
INWARD = Travel(1000, 50000, backlash_steps=40, approach="inward")
APPROACHES: list[Approach] = ["outward", "inward"]


def test_scan_rises_from_below() -> None:
    """Balanced about its centre, rising, with the backlash taken up before the first position."""
    scan = plan_scan(25000, 20, 7, OUTWARD)
    assert scan.positions_steps == (24940, 24960, 24980, 25000, 25020, 25040, 25060)
    assert scan.overshoot_steps == 24880


def test_scan_falls_from_above() -> None:
    """An inward approach mirrors it."""
    scan = plan_scan(25000, 20, 7, INWARD)
    assert scan.positions_steps == (25060, 25040, 25020, 25000, 24980, 24960, 24940)
    assert scan.overshoot_steps == 25120


@given(
    st.integers(0, 60000),
    st.integers(1, 300),
    st.integers(7, 31),
    st.sampled_from(APPROACHES),
    st.integers(0, 500),
)
def test_every_scan_stays_within_limits(
    centre: int, step: int, points: int, approach: Approach, backlash: int
) -> None:
    """Whatever is asked, all positions and the overshoot are within limits and one-sided."""
    travel = Travel(1000, 50000, backlash, approach)
    scan = plan_scan(centre, step, points, travel)
    every = (scan.overshoot_steps, *scan.positions_steps)
    assert 1000 <= min(every) <= max(every) <= 50000
    assert set(np.diff(scan.positions_steps) * travel.sign) == {step}
    assert (scan.positions_steps[0] - scan.overshoot_steps) * travel.sign >= backlash


@pytest.mark.parametrize(
    ("points", "step", "problem"),
    [(5, 20, "at least 7 points"), (9, 0, "at least 7 points"), (9, 7000, "do not fit")],
)
def test_impossible_scans(points: int, step: int, problem: str) -> None:
    """Too few points and too little room are refused."""
    with pytest.raises(ValueError, match=problem):
        plan_scan(25000, step, points, OUTWARD)


def aim(travel: Travel = OUTWARD, step_steps: int = 20) -> Aim:
    """Stars of 1.5 px that grow by 0.0376 px a step; the critical focus zone is 34 steps."""
    return Aim(step_steps, 9, travel, zone_steps=34.0, slope_px_per_step=0.0376, least_stars=8)


def run(start: float, what: Aim, stars: Stars) -> list[Curve]:
    """A whole focus run; `stars` gives radius and number of stars at a position."""
    scan: Scan | None = plan_scan(start, what.step_steps, what.points, what.travel)
    curves = []
    while scan is not None:
        points = [Point(at, *stars(at)) for at in scan.positions_steps]
        curve = judge_scan(fit_points(points, what.least_stars), scan, what, points)
        curves.append(curve)
        scan = next_scan(curve, scan, what, points) if curve.refusal else None
    return curves


def rig(vertex: float, seed: int = 1, largest_px: float = 20.0) -> Stars:
    """Stars that grow away from a vertex, are 2 % off, and are lost when too large."""
    generator = np.random.default_rng(seed)

    def stars(at: float) -> tuple[float, int]:
        radius = 1.5 * BLURRED_DISK.growth(np.array([0.0376 * (at - vertex) / 1.5]))[0]
        seen = radius < largest_px
        return (radius * (1 + 0.02 * generator.standard_normal()), 50) if seen else (np.nan, 0)

    return stars


@pytest.mark.parametrize("travel", [OUTWARD, INWARD])
@pytest.mark.parametrize("away", [100, -150, 300, -600, 1000, -3000, 5000, 8500, -9500])
def test_a_run_finds_the_focus_from_anywhere(away: int, travel: Travel) -> None:
    """From three to nearly three hundred critical focus zones away, where no star is to be seen."""
    travel = replace(travel, minimum_steps=15000, maximum_steps=35000)
    curves = run(25000, aim(travel), rig(25000.0 + away))
    assert curves[-1].refusal is None
    assert curves[-1].vertex_steps == pytest.approx(25000 + away, abs=34 / 4)
    assert 1 < len(curves) <= SCANS_MAX


def test_a_focus_nearby_takes_one_scan() -> None:
    for away in range(-40, 41, 10):
        (curve,) = run(25000, aim(), rig(25000.0 + away, seed=100 + away))
        assert curve.vertex_steps == pytest.approx(25000 + away, abs=34 / 4)


def test_a_scan_moves_no_further_than_its_width() -> None:
    """A vertex extrapolated far away is approached by one width at a time."""
    scan = plan_scan(25000, 20, 9, OUTWARD)
    radii = np.hypot(1.5, 0.05 * (np.array(scan.positions_steps) - 25500.0))
    moved = next_scan(fit_curve(scan.positions_steps, radii, [50] * 9), scan, aim(), [])
    assert moved is not None
    assert moved.centre_steps == 25000 + scan.width_steps


def test_stars_that_grow_slowly_are_scanned_wider() -> None:
    """A curve too flat for the wanted step is taken at twice the step that did not show it."""

    def stars(at: float) -> tuple[float, int]:
        return 2.0 + 0.5e-4 * (at - 25030) ** 2 / 2, 50

    curves = run(25000, aim(), stars)
    assert curves[0].refusal is Refusal.FLAT
    assert curves[-1].refusal is None
    assert curves[-1].vertex_steps == pytest.approx(25030, abs=34 / 4)


@pytest.mark.parametrize("radius_px", [1.5, 3.0, 6.0])
def test_a_focuser_that_does_not_move_is_found_out(radius_px: float) -> None:
    """Stars of one size where geometry asks for large ones; noticed before the travel's ends."""
    generator = np.random.default_rng(4)
    curves = run(25000, aim(), lambda _: (radius_px * (1 + 0.02 * generator.standard_normal()), 50))
    assert curves[-1].refusal is Refusal.UNMOVED
    assert len(curves) <= 4


@pytest.mark.parametrize("travel", [OUTWARD, INWARD])
@pytest.mark.parametrize("loose", [30, 45, 60, 80])
def test_gears_that_are_loose_at_the_start_are_found_out(loose: int, travel: Travel) -> None:
    """More backlash than is taken up: the first positions are all the same in truth.

    Taken for a curve they would have put the vertex off by as much as a zone.
    """
    for seed, vertex in enumerate((24985.0, 25000.0, 25015.0)):
        first, stars = plan_scan(25000, 20, 9, travel).positions_steps[0], rig(vertex, seed)

        def late(at: float, first: int = first, stars: Stars = stars) -> tuple[float, int]:
            behind = max(loose - travel.sign * (at - first), 0.0)
            return stars(at + travel.sign * behind)

        first_curve, *_ = run(25000, aim(travel), late)
        assert first_curve.refusal is Refusal.LOPSIDED


@pytest.mark.parametrize("which", range(1, 9))
def test_one_bad_point_is_not_taken_for_loose_gears(which: int) -> None:
    scan = plan_scan(25000, 20, 9, OUTWARD)
    for factor in (0.6, 1.6):
        stars = rig(25000.0, seed=which)
        points = [Point(at, *stars(at)) for at in scan.positions_steps]
        points[which] = replace(points[which], radius_px=factor * points[which].radius_px)
        judged = judge_scan(fit_points(points, 8), scan, aim(), points)
        assert judged.refusal is not Refusal.LOPSIDED


def test_runs_come_to_an_end() -> None:
    """Without stars, at the limits, in noise: within a dozen scans, and inside the travel."""
    generator = np.random.default_rng(5)
    starless = run(25000, aim(), lambda _: (np.nan, 0))
    assert starless[-1].refusal is Refusal.TOO_FEW_STARS
    beyond = run(1200, aim(), rig(-200.0))
    assert beyond[-1].refusal is not None
    noise = run(25000, aim(), lambda _: (generator.uniform(1, 9), 50))
    assert noise[-1].refusal is not None
    assert max(map(len, (starless, beyond, noise))) <= SCANS_MAX


def test_a_curve_through_clouds_asks_for_no_other_scan() -> None:
    scan = plan_scan(25000, 20, 9, OUTWARD)
    curve = fit_curve(scan.positions_steps, np.full(9, 2.0), [50] * 9)
    for refusal in (Refusal.CLOUDED, Refusal.UNMOVED):
        assert next_scan(replace(curve, refusal=refusal), scan, aim(), []) is None


def test_loose_gears_ask_for_the_same_scan_from_farther_away() -> None:
    """Farther each time, and not for ever: play of nine scans' width is something else."""
    first = scan = plan_scan(25000, 20, 9, OUTWARD)
    loose = fit_curve(scan.positions_steps, np.full(9, 2.0), [50] * 9)
    leads: list[int] = []
    while (following := next_scan(replace(loose, refusal=Refusal.LOPSIDED), scan, aim(), [])) and (
        len(leads) < 9
    ):
        scan = following
        assert scan.positions_steps == first.positions_steps
        leads.append(scan.positions_steps[0] - scan.overshoot_steps)
    assert leads == sorted(leads)
    assert first.width_steps < leads[0]
    assert 1 < len(leads) < 4


def test_moves_end_from_the_right_side() -> None:
    """Against the approach a move overshoots first; with it, it goes straight."""
    assert OUTWARD.path(25000, 25100) == (25100,)
    assert OUTWARD.path(25100, 25000) == (24940, 25000)
    assert INWARD.path(25000, 25100) == (25160, 25100)
    assert INWARD.path(25100, 25000) == (25000,)
    assert OUTWARD.path(25000, 25000) == ()
    assert Travel(0, 100).path(50, 20) == (20,)
    assert OUTWARD.path(25000, 1000) == (1000,)  # no room to overshoot
    with pytest.raises(ValueError, match="outside 1000 to 50000"):
        OUTWARD.path(25000, 999)
