"""Whether a sub is worth its end."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.clouds import GuideLight, SubSoFar, WorthPolicy, going_on_is_worth
from nightloom.clouds.worth import expected_worth_s

POLICY = WorthPolicy(accept_fraction=0.77)


def test_under_a_clear_sky_a_sub_is_worth_its_seconds() -> None:
    """Signal to noise squared of a sky-limited frame goes as T² t (CCD equation; Howell 2006)."""
    worth_s, _ = expected_worth_s(SubSoFar(300.0, 100.0, 1.0), 1.0, POLICY)
    assert worth_s == pytest.approx(300.0)
    veiled_s, _ = expected_worth_s(SubSoFar(300.0, 300.0, 0.9), 0.9, POLICY)
    assert veiled_s == pytest.approx(0.81 * 300.0)


@pytest.mark.parametrize(
    ("exposed_s", "mean", "now", "goes_on"),
    [
        (30.0, 1.0, 1.0, True),  # clear
        (100.0, 0.95, 0.85, True),  # a veil that is accepted
        (250.0, 0.98, 0.05, True),  # nearly done: it is accepted whatever comes
        (60.0, 0.1, 0.1, False),  # lost, and four minutes of clear sky may still be won
        (150.0, 0.5, 1.0, False),  # lost although it is clear again
        (290.0, 0.3, 0.3, True),  # lost, but no other could begin before its end
    ],
)
def test_a_sub_of_five_minutes(exposed_s: float, mean: float, now: float, goes_on: bool) -> None:
    assert going_on_is_worth(SubSoFar(300.0, exposed_s, mean), now, POLICY) is goes_on


def test_a_longer_wait_for_the_next_sub_is_a_reason_to_go_on() -> None:
    sub = SubSoFar(120.0, 40.0, 0.3)
    assert not going_on_is_worth(sub, 0.3, POLICY)
    assert going_on_is_worth(sub, 0.3, replace(POLICY, restart_s=90.0))


shares = st.floats(0.0, 1.0)


@given(st.floats(30.0, 900.0), shares, shares)
def test_under_a_clear_sky_a_good_sub_is_never_cut(
    exposure_s: float, part: float, mean: float
) -> None:
    """However much is exposed, as long as its end is accepted."""
    sub = SubSoFar(exposure_s, part * exposure_s, max(mean, 0.78))
    assert going_on_is_worth(sub, 1.0, POLICY)


@given(st.floats(30.0, 900.0), shares, shares)
def test_a_thinner_cloud_is_never_a_reason_to_cut(
    exposure_s: float, part: float, mean: float
) -> None:
    sub = SubSoFar(exposure_s, part * exposure_s, mean)
    worth = [expected_worth_s(sub, now, POLICY) for now in (0.0, 0.3, 0.6, 0.9)]
    goes_on = [one for one, _ in worth]
    assert goes_on == sorted(goes_on)
    assert len({cut for _, cut in worth}) == 1


def test_one_dim_reading_among_many_hardly_dims_a_sub() -> None:
    light = GuideLight.since(0.0)
    for number in range(1, 31):
        light = light.add(2.0 * number, 0.2 if number == 11 else 1.0)
    assert light.mean == pytest.approx(1.0 - 0.8 / 30)
    assert light.exposed_s == 60.0


def test_a_reading_stands_for_the_time_since_the_one_before_it() -> None:
    """Longer exposures of dim stars count by their length."""
    light = GuideLight.since(100.0).add(110.0, 1.0).add(140.0, 0.2)
    assert light.mean == pytest.approx((10.0 * 1.0 + 30.0 * 0.2) / 40.0)
    assert GuideLight.since(100.0).mean is None
