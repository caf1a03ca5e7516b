"""The watch on simulated star sizes; the benchmark tests/benchmarks/watch.py has the long runs."""

import numpy as np
import pytest

from focusing.star_sizes import SPACING_S, ZONE_STEPS, Air, Night
from focusing.watched import plain_night, watch_night
from nightloom.focusing import Watch, run_length, threshold_for
from nightloom.frames.seeing import at_zenith_px

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
BEGINS_S = 2 * 3600.0


@pytest.mark.parametrize(
    ("airmass", "growth"), [(1.15, 1.0875), (1.5, 1.2754), (2.0, 1.5157), (3.0, 1.9332)]
)
def test_airmass_correction(airmass: float, growth: float) -> None:
    """Computed from seeing ∝ airmass^0.6 (Kolmogorov; Neilsen et al. 2019, arXiv:1912.06254)."""
    assert at_zenith_px(2.0 * growth, airmass) == pytest.approx(2.0, rel=1e-4)


def integral_equation(threshold: float, shift: float, nodes: int = 48) -> float:
    """One-sided run length, k 0.5: L(s) = 1 + L(0) F(k − s) + ∫ L(x) f(x + k − s) dx.

    One value, and what is to be expected from where it leads (Goel & Wu 1971, Technometrics 13,
    221), by Gauss–Legendre quadrature.
    """
    from scipy.stats import norm

    at, weights = np.polynomial.legendre.leggauss(nodes)
    at, weights = threshold * (at + 1) / 2, threshold * weights / 2
    states = np.concatenate([[0.0], at])
    to = weights * norm.pdf(at[None, :] + 0.5 - states[:, None] - shift)
    to_zero = norm.cdf(0.5 - states - shift)
    matrix = np.eye(nodes + 1) - np.column_stack([to_zero, to])
    return float(np.linalg.solve(matrix, np.ones(nodes + 1))[0])


@pytest.mark.parametrize(("threshold", "published"), [(4.0, 335.37), (5.0, 930.89)])
def test_run_length_without_a_shift(threshold: float, published: float) -> None:
    """Integral equation of Goel & Wu 1971; half of it two-sided, Montgomery's 168 and 465."""
    assert integral_equation(threshold, 0.0) == pytest.approx(published, rel=1e-4)
    assert run_length(threshold, 0.5) == pytest.approx(published, rel=0.02)
    assert threshold_for(published, 0.5) == pytest.approx(threshold, abs=0.02)


@pytest.mark.parametrize(
    ("threshold", "published"),
    [
        (4.0, (167.68, 74.22, 26.63, 13.29, 8.38, 4.75, 3.34, 2.19)),
        (5.0, (465.44, 139.49, 38.00, 17.05, 10.38, 5.75, 4.01, 2.57)),
    ],
)
def test_run_lengths_of_two_sides(threshold: float, published: tuple[float, ...]) -> None:
    """Two one-sided sums alarm at the sum of their rates (computed from Goel & Wu 1971)."""
    for shift, expected in zip(SHIFTS, published, strict=True):
        exact = [integral_equation(threshold, sign * shift) for sign in (1, -1)]
        assert 1.0 / sum(1.0 / one for one in exact) == pytest.approx(expected, abs=0.006)
        if shift < 3.0:  # an approximation for many subs until the alarm
            ours = [run_length(threshold, 0.5, sign * shift) for sign in (1, -1)]
            assert 1.0 / sum(1.0 / one for one in ours) == pytest.approx(expected, rel=0.06)


def test_a_watch_on_independent_surprises_keeps_its_rate() -> None:
    """Alarms come as often as was asked, within half as many more; and when each surprise is half
    of the one before, not oftener.
    """
    for kept in (0.0, 0.5):
        generator = np.random.default_rng(1)
        alarms = 0
        for _ in range(40):
            watch, standard = Watch(), 0.0
            for i in range(240):
                standard = kept * standard + generator.standard_normal() * (1 - kept**2) ** 0.5
                watch = watch.saw(i * 120.0, 0.02 * standard, standard)
                if watch.alarms(2.0):
                    alarms += 1
                    watch = watch.focused()
        assert 0.3 <= alarms / 40 <= 3.0


def test_seeing_that_swings_asks_for_no_curve() -> None:
    """±40 % of seeing and steady focus: looks say that focus stayed, and are few; the plain rule
    takes some curves every night.
    """
    air = Air(0.05, 900.0, 0.4)
    for guided in (True, False):
        told = [watch_night(Night(seed, air, guided=guided)) for seed in range(3)]
        assert sum(outcome.curves for outcome in told) == 0
        assert sum(len(outcome.looks_s) for outcome in told) <= 9
    assert min(plain_night(Night(seed, air)).curves for seed in range(3)) >= 2


def test_a_step_of_a_zone_is_caught_within_four_subs() -> None:
    for seed in range(5):
        night = Night(seed, defocus=lambda s: ZONE_STEPS * (s > BEGINS_S), hours=3.0)
        outcome = watch_night(night, false_alarms_per_night=2.0)
        # The look comes after its sub, so that one before the step may find it.
        alarm_s = next(at_s for at_s in outcome.looks_s if at_s > BEGINS_S - SPACING_S)
        assert (alarm_s - BEGINS_S) / SPACING_S <= 4.0
        assert abs(night.defocus(3 * 3600.0) + night.moved_steps) < ZONE_STEPS / 3


def test_one_bad_sub_brings_no_alarm_and_two_do() -> None:
    watch = Watch()
    for i in range(40):
        watch = watch.saw(i * 120.0, 0.0, 0.0)
    one = watch.saw(4800.0, 0.4, 12.0)
    assert not one.alarms(2.0)
    two = one.saw(4920.0, 0.3, 10.0)
    assert two.alarms(2.0)
    assert two.growth == pytest.approx(0.42, abs=0.05), "e to the median of both"


def test_a_look_begins_at_zero() -> None:
    watch = Watch()
    for i in range(30):
        watch = watch.saw(i * 120.0, 0.3 * (i > 25), 10.0 * (i > 25))
    assert watch.alarms(1.0)
    assert not watch.focused().alarms(1.0)
    assert watch.focused().growth == 0.0
