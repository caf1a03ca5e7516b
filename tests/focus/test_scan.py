import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.focus import Approach, Refusal, Scan, Travel, fit_curve, next_scan, plan_scan

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


@pytest.mark.parametrize("vertex", [25100.0, 24900.0, 25190.0, 24790.0])
@pytest.mark.parametrize("travel", [OUTWARD, INWARD])
def test_a_scan_finds_a_vertex_outside(vertex: float, travel: Travel) -> None:
    """Moving on from scan to scan, a vertex outside comes inside."""
    scan: Scan | None = plan_scan(25000, 20, 9, travel)
    while scan is not None:
        radii = np.hypot(1.5, 0.05 * (np.array(scan.positions_steps) - vertex))
        curve = fit_curve(scan.positions_steps, radii, [50] * 9)
        if curve.refusal is None:
            break
        scan = next_scan(curve, scan)
    assert scan is not None
    assert 1 < scan.number <= 3
    assert curve.vertex_steps == pytest.approx(vertex, abs=0.5)


def test_a_scan_moves_no_further_than_its_width() -> None:
    """A vertex extrapolated far away is approached by one width at a time."""
    scan = plan_scan(25000, 20, 9, OUTWARD)
    radii = np.hypot(1.5, 0.05 * (np.array(scan.positions_steps) - 25500.0))
    moved = next_scan(fit_curve(scan.positions_steps, radii, [50] * 9), scan)
    assert moved is not None
    assert moved.centre_steps == 25000 + scan.width_steps


def test_a_flat_curve_asks_for_a_wider_scan() -> None:
    """Twice the step about the same centre."""
    scan = plan_scan(25000, 20, 9, OUTWARD)
    curve = fit_curve(scan.positions_steps, np.full(9, 2.0), [50] * 9)
    wider = next_scan(curve, scan)
    assert wider is not None
    assert (wider.step_steps, wider.centre_steps, wider.number) == (40, 25000, 2)


def test_scans_come_to_an_end() -> None:
    """After three scans, at the limits, or without stars there is no next one."""
    scan: Scan | None = plan_scan(25000, 20, 9, OUTWARD)
    seen = 0
    while scan is not None:
        seen += 1
        scan = next_scan(fit_curve(scan.positions_steps, np.full(9, 2.0), [50] * 9), scan)
    assert seen == 3
    at_limit = plan_scan(0, 20, 9, OUTWARD)
    positions = np.array(at_limit.positions_steps)
    curve = fit_curve(positions, np.hypot(1.5, 0.05 * (positions - 900)), [50] * 9)
    assert curve.refusal is Refusal.VERTEX_OUTSIDE
    assert next_scan(curve, at_limit) is None
    starless = fit_curve(positions, np.full(9, np.nan), [0] * 9)
    assert next_scan(starless, at_limit) is None


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
