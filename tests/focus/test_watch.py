import numpy as np
import pytest

from nightloom.focus import at_zenith_px, watch_drift, watch_filters


@pytest.mark.parametrize(
    ("airmass", "growth"), [(1.15, 1.0875), (1.5, 1.2754), (2.0, 1.5157), (3.0, 1.9332)]
)
def test_airmass_correction(airmass: float, growth: float) -> None:
    """Computed from seeing ∝ airmass^0.6 (Kolmogorov; Neilsen et al. 2019, arXiv:1912.06254)."""
    assert at_zenith_px(2.0 * growth, airmass) == pytest.approx(2.0, rel=1e-4)


def test_steady_stars_seldom_ask() -> None:
    """With noise of 3 %, fewer than 1 run of 20 subs in 50 crosses a limit of 12 %."""
    generator = np.random.default_rng(2)
    runs = 2.0 * np.exp(0.03 * generator.standard_normal((400, 20)))
    asked = [any(watch_drift(list(run[:n]), 0.12).check for n in range(21)) for run in runs]
    assert np.mean(asked) < 0.02


def test_grown_stars_ask_for_a_check() -> None:
    """Two of the last three subs above the limit ask; one bad sub does not."""
    steady = [2.0, 2.02, 1.98, 2.0, 2.01]
    assert not watch_drift([*steady, 3.5], 0.12).check
    drift = watch_drift([*steady, 2.4, 2.4], 0.12)
    assert drift.check
    assert drift.growth == pytest.approx(0.2)
    assert drift.reason == "stars grew by 20%, limit 12%"


def test_too_few_subs_say_so() -> None:
    """Before there is a reference and something to compare, nothing is claimed."""
    drift = watch_drift([2.0, 2.0, 4.0, 4.0, 4.0], 0.12)
    assert not drift.check
    assert drift.reason == "5 of 6 subs since the last focus run"


def test_filters_are_judged_apart() -> None:
    """Filters with different star sizes do not look like drift, and the worst one is named."""
    steady = {"L": [2.0] * 6, "B": [2.6] * 6}
    assert not watch_filters(steady, 0.12).check
    grown = watch_filters({**steady, "R": [2.0] * 3 + [2.5] * 3}, 0.12)
    assert grown.check
    assert grown.reason.startswith("R: ")
    assert not watch_filters({}, 0.12).check
