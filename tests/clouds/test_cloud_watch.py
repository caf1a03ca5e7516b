"""Holding for clouds and going on again."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.clouds import (
    Action,
    CloudPolicy,
    CloudWatch,
    FrameReading,
    GuideReading,
    observe,
)

POLICY = CloudPolicy(dim_for_s=10.0, clear_for_s=60.0)


def actions(
    ratios: list[float], *, every_s: float = 2.0, held: int = 5, watch: CloudWatch | None = None
) -> tuple[CloudWatch, list[Action]]:
    """Feed guide readings at a steady pace, after those the watch has already seen."""
    watch = watch or CloudWatch()
    start_s = 0.0 if watch.last_s is None else watch.last_s + every_s
    taken = []
    for number, ratio in enumerate(ratios):
        watch, decision = observe(
            watch, GuideReading(start_s + number * every_s, ratio, held, 5), POLICY
        )
        taken.append(decision.action)
    return watch, taken


def test_clear_sky_goes_on() -> None:
    _, taken = actions([1.0, 0.9, 1.1] * 100)
    assert set(taken) == {Action.GO_ON}


def test_cloud_holds_and_a_clear_minute_resumes() -> None:
    watch, taken = actions([1.0] * 10 + [0.2] * 10)
    assert taken.count(Action.GO_ON) == 16, "the median of three is one reading late"
    assert taken[-1] is Action.HOLD
    watch, taken = actions([1.0] * 40, watch=watch)
    assert taken[:31] == [Action.HOLD] * 31
    assert taken[31] is Action.RESUME
    assert set(taken[32:]) == {Action.GO_ON}


def test_a_gust_that_loses_the_stars_for_a_moment_does_not_hold() -> None:
    watch, _ = actions([1.0] * 10)
    watch, taken = actions([0.0] * 4, held=0, watch=watch)
    assert set(taken) == {Action.GO_ON}
    _, taken = actions([1.0] * 4, watch=watch)
    assert set(taken) == {Action.GO_ON}


def test_few_stars_held_is_cloud_even_if_the_rest_shine() -> None:
    _, taken = actions([1.0] * 10, held=2)
    assert taken[-1] is Action.HOLD


def test_between_the_levels_nothing_changes() -> None:
    """0.6 is not dim enough to hold and not clear enough to resume."""
    watch, taken = actions([1.0] * 5 + [0.6] * 200)
    assert set(taken) == {Action.GO_ON}
    watch, _ = actions([0.1] * 10, watch=watch)
    _, taken = actions([0.6] * 200, watch=watch)
    assert set(taken) == {Action.HOLD}


def test_broken_cloud_starts_the_clear_time_again() -> None:
    watch, _ = actions([0.1] * 10)
    _, taken = actions(([1.0] * 25 + [0.3] * 3) * 4, watch=watch)
    assert set(taken) == {Action.HOLD}


def test_slowly_thickening_cloud_is_not_learned() -> None:
    """Half of the light lost over two hours still holds: the level does not follow it down."""
    _, taken = actions([1.0 - 0.6 * second / 3600 for second in range(3600)])
    assert taken[-1] is Action.HOLD


def test_stars_chosen_through_thin_cloud_are_put_right_by_a_clearer_sky() -> None:
    """Twice the reference flux becomes the level; back at the reference it is then half clear."""
    watch, _ = actions([2.0] * 300)
    assert watch.clear_level == pytest.approx(2.0, rel=0.01)
    _, taken = actions([0.9] * 20, watch=watch)
    assert taken[-1] is Action.HOLD


def test_setting_target_is_not_a_cloud() -> None:
    """From airmass 1 to 3 with 0.45 mag per airmass only 10^(-0.4 × 0.9) = 0.437 of the light
    arrives: a hold without the correction, none with it.
    """
    policy = CloudPolicy(extinction_mag=0.45)
    told, untold = CloudWatch(reference_airmass=1.0), CloudWatch()
    for second in range(0, 600, 2):
        airmass = 1.0 + 2.0 * second / 600
        ratio = 10 ** (-0.4 * 0.45 * (airmass - 1.0))
        told, with_it = observe(told, GuideReading(second, ratio, 5, 5, airmass), policy)
        untold, without = observe(untold, GuideReading(second, ratio, 5, 5), policy)
    assert with_it.action is Action.GO_ON
    assert without.action is Action.HOLD


def test_dim_frame_holds_at_once_and_clear_frames_resume() -> None:
    """A rig without a guide camera lives on frames alone."""
    watch, decision = observe(CloudWatch(), FrameReading(0.0, 0.3), POLICY)
    assert decision.action is Action.HOLD
    watch, decision = observe(watch, FrameReading(60.0, 0.95), POLICY)
    assert decision.action is Action.HOLD
    watch, decision = observe(watch, FrameReading(120.0, 0.95), POLICY)
    assert decision.action is Action.RESUME


def test_new_guide_stars_do_not_end_a_hold() -> None:
    watch, _ = actions([0.1] * 10)
    assert watch.with_new_stars(airmass=1.3).holding


@given(st.lists(st.floats(0, 2), max_size=200))
def test_resume_comes_only_after_hold_and_go_on_never_follows_it(ratios: list[float]) -> None:
    _, taken = actions(ratios)
    for before, after in pairwise(taken):
        if after is Action.RESUME:
            assert before is Action.HOLD
        if before is Action.HOLD:
            assert after is not Action.GO_ON


@given(st.lists(st.floats(0, 0.74), min_size=1, max_size=200))
def test_never_resumes_below_the_clear_level(ratios: list[float]) -> None:
    _, taken = actions(ratios, watch=CloudWatch(holding=True))
    assert set(taken) == {Action.HOLD}


def test_levels_without_a_gap_are_an_error() -> None:
    with pytest.raises(ValueError, match="clear_fraction"):
        CloudPolicy(hold_fraction=0.8, clear_fraction=0.7)


def test_reason_tells_what_was_seen() -> None:
    _, decision = observe(CloudWatch(), GuideReading(0.0, 0.42, 3, 5), POLICY)
    assert "0.42" in decision.reason
    assert "3 of 5" in decision.reason
