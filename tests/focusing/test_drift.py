"""What looks teach about drift, and when the next one is due."""

from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.focusing import Drift

HOUR = 3600.0
ERROR, OFFSETS, WANDER = 0.03, 0.06, 0.05
"""Zones: of a look, and of the filters' offsets; zones an hour, by which a rate changes in one."""


def looks(drift: Drift, rate: float, count: int) -> tuple[Drift, list[float]]:
    """Look whenever it is due while focus drifts at a rate; the intervals between, in hours."""
    intervals = []
    best = focuser = 0.0
    for _ in range(count):
        due_s, began_s = drift.due_s, drift.at_s
        best += rate * (due_s - began_s) / HOUR
        focuser += drift.shift_at(due_s)
        drift = drift.looked(due_s, best - focuser, ERROR, 0.0)
        focuser = best
        intervals.append((due_s - began_s) / HOUR)
    return drift, intervals


def test_the_first_look_comes_before_stars_grow() -> None:
    """At a zone an hour they have grown by 10 % within 0.44 zones (f/5, seeing of 2.8″)."""
    assert 0.3 * HOUR < Drift.begun(0.0, 1.0).due_s < 0.44 * HOUR


def test_looks_that_find_focus_unmoved_grow_rare() -> None:
    drift, intervals = looks(Drift.begun(0.0, 1.0), 0.0, 3)
    assert intervals[1] > 2.0 * intervals[0]
    assert intervals[2] > 1.5 * intervals[1]
    assert drift.followed == 0.0


@pytest.mark.parametrize("rate", [0.5, -1.0, 2.0])
def test_a_steady_drift_is_followed(rate: float) -> None:
    drift, intervals = looks(Drift.begun(0.0, 1.0), rate, 4)
    assert drift.followed == pytest.approx(rate, abs=0.05)
    assert drift.shift_at(drift.at_s + 0.5 * HOUR) == pytest.approx(rate / 2, abs=0.03)
    assert intervals[-1] > 1.5


def test_a_jump_is_no_drift() -> None:
    """A gear that slips by a zone after hours of steady focus is not followed any further."""
    drift, _ = looks(Drift.begun(0.0, 1.0), 0.0, 2)
    slipped = drift.looked(drift.at_s + HOUR, 1.0, ERROR, 0.0)
    assert slipped.followed == 0.0
    assert slipped.due_s - slipped.at_s < 0.5 * HOUR


def test_the_rate_is_the_conditional_mean() -> None:
    """Conditioned on all looks at once: the position is an integrated Wiener process about a line.

    Covariances: Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 6.28 (from
    memory).
    """
    hours, found = np.array([0.35, 1.4, 3.0, 3.6]), np.array([0.20, 0.75, 1.5, 2.0])
    first, last = np.minimum.outer(hours, hours), np.maximum.outer(hours, hours)
    wiener = first**2 * (3.0 * last - first) / 6.0
    covariance = OFFSETS**2 + first * last + WANDER**2 * wiener
    covariance += (ERROR**2 + OFFSETS**2) * np.eye(4)
    with_rate = hours + WANDER**2 * hours**2 / 2.0
    expected = with_rate @ np.linalg.solve(covariance, found)

    drift, focuser = Drift.begun(0.0, 1.0), 0.0
    for hour, position in zip(hours, found, strict=True):
        focuser += drift.shift_at(hour * HOUR)
        drift = drift.looked(hour * HOUR, position - focuser, ERROR, 0.0)
        focuser = position
    assert drift.followed == pytest.approx(expected, rel=1e-6)


def test_what_was_left_uncorrected_is_not_found_anew() -> None:
    """A look that finds just what the last one left teaches no rate."""
    drift = Drift.begun(0.0, 1.0).looked(HOUR, 0.05, ERROR, 0.05)
    assert not drift.looked(2.0 * HOUR, 0.05, ERROR, 0.05).followed


def test_without_a_drift_to_reckon_with_no_look_is_due() -> None:
    assert Drift.begun(0.0, 0.0).due_s == inf


@given(
    st.lists(st.tuples(st.floats(0.1, 5.0), st.floats(-2.0, 2.0), st.floats(0.0, 0.5)), max_size=6)
)
def test_the_focuser_follows_no_farther_than_is_known(seen: list[tuple[float, ...]]) -> None:
    drift, at_s = Drift.begun(0.0, 1.0), 0.0
    for hours, found, error in seen:
        at_s += hours * HOUR
        drift = drift.looked(at_s, found, error, 0.0)
        assert drift.due_s >= at_s + 900.0
        assert drift.shift_at(drift.due_s) == drift.shift_at(drift.due_s + HOUR)
