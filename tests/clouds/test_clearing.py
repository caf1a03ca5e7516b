"""Beginning under the rest of a cloud."""

import pytest

from nightloom.clouds import Action, CloudPolicy, CloudWatch, GuideReading, observe
from nightloom.clouds.clearing import foreseen_mean

POLICY = CloudPolicy(clear_fraction=0.7, hold_fraction=0.6, clear_for_s=4.0, sub_s=60.0)
TIMES_S = (0.0, 2.0, 4.0, 6.0, 8.0)


def test_light_that_does_not_change_goes_on() -> None:
    assert foreseen_mean(TIMES_S, [0.5] * 5, 60.0) == pytest.approx(0.5)


def test_a_cloud_that_leaves_is_clear_after_its_edge() -> None:
    """From 0.5 by 0.05 a second it is clear after 10 s: 7.5 of these, and 50 s, of 60."""
    shares = [0.1, 0.2, 0.3, 0.4, 0.5]
    assert foreseen_mean(TIMES_S, shares, 60.0) == pytest.approx(57.5 / 60.0, abs=0.002)


def test_no_further_than_an_edge_is_foreseen() -> None:
    """From 0.4 by 0.02 a second for 15 s to 0.7, where it stays: a mean of 0.55 and 45 s of 0.7."""
    shares = [0.24, 0.28, 0.32, 0.36, 0.4]
    assert foreseen_mean(TIMES_S, shares, 60.0) == pytest.approx((15 * 0.55 + 45 * 0.7) / 60.0)


@pytest.mark.parametrize("times_s", [(0.0, 2.0, 4.0, 6.0), (8.0,) * 5])
def test_too_few_readings_foresee_nothing(times_s: tuple[float, ...]) -> None:
    assert foreseen_mean(times_s, [1.0] * len(times_s), 60.0) is None


def resumed_at(ratios: list[float], policy: CloudPolicy = POLICY, held: int = 5) -> float | None:
    """The reading after which a hold ends, the first being 0; None when it does not."""
    watch = CloudWatch(holding=True, dim_since_s=-60.0)
    for number, ratio in enumerate(ratios):
        watch, decision = observe(watch, GuideReading(2.0 * number, ratio, held, 5), policy)
        if decision.action is Action.RESUME:
            watch, after = observe(watch, GuideReading(2.0 * number + 2.0, ratio, held, 5), policy)
            assert after.action is Action.GO_ON, "the old dimness is no reason for a new hold"
            return number
    return None


EDGE = [0.1] * 10 + [0.1 + 0.1 * step for step in range(1, 9)] + [1.0] * 10


def test_a_sub_begins_before_a_cloud_is_wholly_gone() -> None:
    waited = resumed_at(EDGE, CloudPolicy(0.6, 0.7, clear_for_s=4.0))
    begun = resumed_at(EDGE)
    assert begun is not None
    assert waited is not None
    assert begun <= waited - 3
    assert EDGE[int(begun)] < POLICY.clear_fraction


@pytest.mark.parametrize("share", [0.2, 0.5, 0.65])
def test_a_cloud_that_stays_promises_nothing(share: float) -> None:
    scatter = (0.02, -0.02, 0.0, 0.03, -0.03)
    assert resumed_at([share + one for one in scatter] * 20) is None


def test_one_bright_reading_promises_nothing() -> None:
    assert resumed_at([0.2] * 10 + [1.0] + [0.2] * 10) is None


def test_few_stars_promise_nothing() -> None:
    assert resumed_at(EDGE, held=2) is None
