import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from focusing.star_sizes import FAR_SLOPE_PX_PER_STEP, ZONE_STEPS, half_flux_radius_px
from nightloom.focusing import CheckOutcome, judge_check, next_offset_steps

OFFSETS = [-25, 25, 25, -25]


def radii_px(focus_steps: float, sigma_px: float = 0.9) -> list[float]:
    """Sizes at the offsets with best focus elsewhere, by numerical integration."""
    return [half_flux_radius_px(sigma_px, offset - focus_steps) for offset in OFFSETS]


@given(focus_steps=st.floats(-30.0, 30.0), sigma_px=st.floats(0.6, 2.0))
def test_the_shift_is_found_whatever_the_air(focus_steps: float, sigma_px: float) -> None:
    """Without noise the estimate is right to a fifteenth of the zone."""
    check = judge_check(OFFSETS, radii_px(focus_steps, sigma_px), FAR_SLOPE_PX_PER_STEP, ZONE_STEPS)
    assert check.estimate_steps == pytest.approx(focus_steps, abs=ZONE_STEPS / 15)


def test_a_steady_change_of_the_air_falls_out() -> None:
    """Inside, outside, outside, inside: 6 % of growth through the test moves nothing."""
    grown = [
        size * factor for size, factor in zip(radii_px(0.0), (1, 1.02, 1.04, 1.06), strict=True)
    ]
    check = judge_check(OFFSETS, grown, FAR_SLOPE_PX_PER_STEP, ZONE_STEPS)
    assert abs(check.estimate_steps) < 0.5
    assert check.verdict is CheckOutcome.STAYED


@pytest.mark.parametrize(
    ("focus_steps", "verdict", "direction"),
    [
        (0.0, CheckOutcome.STAYED, ""),
        (15.0, CheckOutcome.MOVED, "outward"),
        (-15.0, CheckOutcome.MOVED, "inward"),
        (60.0, CheckOutcome.UNCLEAR, "outward"),
    ],
)
def test_verdicts(focus_steps: float, verdict: CheckOutcome, direction: str) -> None:
    check = judge_check(OFFSETS, radii_px(focus_steps), FAR_SLOPE_PX_PER_STEP, ZONE_STEPS)
    assert check.verdict is verdict
    assert check.direction == direction


def test_the_stated_error_holds() -> None:
    """Over 300 tests between 60 and 80 % of the estimates lie within one standard error.

    The air changes by 3 % from frame to frame, and star sizes are measured to 1 %.
    """
    generator = np.random.default_rng(5)
    inside = []
    for _ in range(300):
        focus = generator.uniform(-15, 15)
        sigmas = 0.9 * np.exp(0.03 * generator.standard_normal(4))
        seen = [
            half_flux_radius_px(sigma, offset - focus) * np.exp(0.01 * generator.standard_normal())
            for sigma, offset in zip(sigmas, OFFSETS, strict=True)
        ]
        check = judge_check(OFFSETS, seen, FAR_SLOPE_PX_PER_STEP, ZONE_STEPS)
        inside.append(abs(check.estimate_steps - focus) < check.error_steps)
    assert 0.60 <= np.mean(inside) <= 0.80


def test_a_side_without_stars_is_left_to_a_curve() -> None:
    nan = float("nan")
    check = judge_check(OFFSETS, [2.0, nan, nan, 2.0], FAR_SLOPE_PX_PER_STEP, ZONE_STEPS)
    assert check.verdict is CheckOutcome.UNCLEAR


def test_noise_asks_for_a_third_pair_and_then_for_a_curve() -> None:
    wild = [1.2, 2.4, 1.3, 2.6]
    check = judge_check(OFFSETS, wild, FAR_SLOPE_PX_PER_STEP, ZONE_STEPS)
    assert next_offset_steps(4, ZONE_STEPS, check) == -25
    assert next_offset_steps(5, ZONE_STEPS, check) == 25
    assert next_offset_steps(6, ZONE_STEPS, check) is None


def test_a_clear_test_ends_after_two_pairs() -> None:
    check = judge_check(OFFSETS, radii_px(5.0), FAR_SLOPE_PX_PER_STEP, ZONE_STEPS)
    assert [next_offset_steps(n, ZONE_STEPS, None) for n in range(4)] == OFFSETS
    assert next_offset_steps(4, ZONE_STEPS, check) is None
