"""When a dither has come to rest."""

import math

import pytest
from scipy.stats import chi2

from nightloom.guiding import RestPolicy, SettleState, settled
from nightloom.guiding.rest import INSIDE

SETTLE = RestPolicy(rest_for_s=2.0, deadline_s=20.0)


def test_inside_is_where_guided_frames_are() -> None:
    """95 % of errors that are normal in both axes (scipy's χ² with two degrees of freedom)."""
    assert chi2.cdf(INSIDE**2, 2) == pytest.approx(0.95, abs=0.001)


def test_settles_with_the_second_frame_inside_the_scatter() -> None:
    times, distances = [12.1, 14.2, 16.3], [20.0, 2.0, 1.0]
    assert settled(times[:2], distances[:2], SETTLE, started_s=10) is SettleState.WAITING
    assert settled(times, distances, SETTLE, started_s=10) is SettleState.SETTLED


def test_quick_frames_have_to_rest_as_long() -> None:
    times = [10.5, 11.0, 11.5, 12.0, 12.5]
    assert settled(times[:4], [1.0] * 4, SETTLE, started_s=10) is SettleState.WAITING
    assert settled(times, [1.0] * 5, SETTLE, started_s=10) is SettleState.SETTLED


def test_one_frame_is_never_enough() -> None:
    at_once = RestPolicy(rest_for_s=0.0)
    assert settled([12.0], [0.1], at_once, started_s=10) is SettleState.WAITING
    assert settled([12.0, 14.0], [0.1, 0.1], at_once, started_s=10) is SettleState.SETTLED


@pytest.mark.parametrize("broken", [2.6, math.nan, math.inf])
def test_a_break_starts_the_rest_again(broken: float) -> None:
    times, distances = [12.0, 14.0, 16.0], [0.4, broken, 0.4]
    assert settled(times, distances, SETTLE, started_s=10) is SettleState.WAITING


def test_late_when_the_deadline_passes_first() -> None:
    assert settled([29.9], [9.0], SETTLE, started_s=10) is SettleState.WAITING
    assert settled([30.0], [9.0], SETTLE, started_s=10) is SettleState.LATE


def test_nothing_measured_yet_is_waiting() -> None:
    assert settled([], [], SETTLE, started_s=10) is SettleState.WAITING
