"""Corrections, their statistics, and settling."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.guiding import (
    AxisPolicy,
    Calibration,
    GuidePolicy,
    GuideState,
    GuideStatistics,
    Pulses,
    SettlePolicy,
    SettleState,
    correct,
    settled,
)

CALIBRATION = Calibration(30.0, 120.0, 2.0, 2.5, 0.0)
POLICY = GuidePolicy()
errors = st.floats(-50, 50)


def test_stars_too_far_west_are_pushed_east() -> None:
    """1 px at 2 px/s and aggressiveness 0.6 is 300 ms."""
    _, pulses = correct((1.0, 0.0), CALIBRATION, POLICY, GuideState())
    assert pulses == Pulses(east_ms=300)


@given(errors, errors)
def test_pulses_never_overshoot_nor_exceed_the_longest(ra_px: float, dec_px: float) -> None:
    """What is left has the sign of the error and is not larger; one side of an axis rests."""
    _, pulses = correct((ra_px, dec_px), CALIBRATION, POLICY, GuideState())
    assert min(pulses.west_ms, pulses.east_ms) == min(pulses.north_ms, pulses.south_ms) == 0
    assert pulses.duration_ms <= 2000
    ra_left = ra_px + 2.0 * (pulses.west_ms - pulses.east_ms) / 1000
    dec_left = dec_px + 2.5 * (pulses.north_ms - pulses.south_ms) / 1000
    assert 0 <= ra_left * np.sign(ra_px) <= abs(ra_px)
    assert 0 <= dec_left * np.sign(dec_px) <= abs(dec_px)


def test_small_errors_are_left_to_the_air() -> None:
    _, pulses = correct((0.1, -0.1), CALIBRATION, POLICY, GuideState())
    assert pulses == Pulses()


def test_lost_star_asks_for_nothing_and_forgets_nothing() -> None:
    state, _ = correct((0.0, 1.0), CALIBRATION, POLICY, GuideState())
    assert correct((math.nan, math.nan), CALIBRATION, POLICY, state) == (state, Pulses())


def test_declination_turns_round_only_after_three_errors_on_the_other_side() -> None:
    state, first = correct((0.0, 1.0), CALIBRATION, POLICY, GuideState())
    assert first.south_ms > 0
    given_north = []
    for _ in range(3):
        state, pulses = correct((0.0, -0.5), CALIBRATION, POLICY, state)
        given_north.append(pulses.north_ms > 0)
    assert given_north == [False, False, True]


def test_an_error_back_on_the_old_side_starts_the_count_again() -> None:
    state = GuideState()
    north = 0
    for dec_px in (1.0, -0.5, -0.5, 0.5, -0.5, -0.5):
        state, pulses = correct((0.0, dec_px), CALIBRATION, POLICY, state)
        north += pulses.north_ms
    assert north == 0


def test_large_error_turns_declination_round_at_once() -> None:
    state, _ = correct((0.0, 1.0), CALIBRATION, POLICY, GuideState())
    _, pulses = correct((0.0, -3.0), CALIBRATION, POLICY, state)
    assert pulses.north_ms > 0


def test_loop_holds_a_periodic_error_against_the_air() -> None:
    """Worm error of ±15″ in 480 s (common practice, no source) with 0.3″ of air, a frame each 2 s:
    left alone 10.6″ RMS, guided under 1″.
    """
    rng = np.random.default_rng(3)
    scale = 3.0
    policy = GuidePolicy(ra=AxisPolicy(aggressiveness=0.7, least_move_px=0.05))
    state, corrected_px = GuideState(), 0.0
    statistics = GuideStatistics(scale)
    for frame in range(1000):
        worm_px = 15.0 / scale * math.sin(2 * math.pi * 2 * frame / 480)
        true_px = worm_px + corrected_px
        statistics = statistics.add(true_px, 0.0)
        state, pulses = correct((true_px + rng.normal(0, 0.1), 0.0), CALIBRATION, policy, state)
        corrected_px += (pulses.west_ms - pulses.east_ms) / 1000 * 2.0
    assert statistics.rms_arcsec < 1.0


def test_statistics_agree_with_numpy() -> None:
    rng = np.random.default_rng(4)
    ra, dec = rng.normal(0, 0.3, (2, 500))
    statistics = GuideStatistics(2.0)
    for one_ra, one_dec in zip(ra, dec, strict=True):
        statistics = statistics.add(float(one_ra), float(one_dec))
    statistics = statistics.add(math.nan, math.nan)
    assert statistics.count == 500
    assert statistics.ra_rms_arcsec == pytest.approx(2 * np.sqrt(np.mean(ra**2)))
    assert statistics.dec_rms_arcsec == pytest.approx(2 * np.sqrt(np.mean(dec**2)))
    assert statistics.rms_arcsec == pytest.approx(2 * np.sqrt(np.mean(ra**2 + dec**2)))
    assert statistics.peak_arcsec == pytest.approx(2 * np.hypot(ra, dec).max())
    assert math.isnan(statistics.fresh().rms_arcsec)


SETTLE = SettlePolicy(tolerance_px=0.5, settle_time_s=4.0, deadline_s=20.0)


def test_settles_after_an_unbroken_rest() -> None:
    times, distances = [12.0, 14.0, 16.0, 18.0], [3.0, 0.4, 0.3, 0.2]
    assert settled(times[:3], distances[:3], SETTLE, started_s=10).state is SettleState.WAITING
    settling = settled(times, distances, SETTLE, started_s=10)
    assert settling.state is SettleState.SETTLED
    assert (settling.within_s, settling.waited_s) == (4.0, 8.0)


@pytest.mark.parametrize("broken", [0.6, math.nan])
def test_a_break_starts_the_rest_again(broken: float) -> None:
    settling = settled([12, 14, 16, 18], [0.4, 0.4, broken, 0.2], SETTLE, started_s=10)
    assert settling.state is SettleState.WAITING
    assert settling.within_s == 0


def test_late_when_the_deadline_passes_first() -> None:
    assert settled([29.9], [2.0], SETTLE, started_s=10).state is SettleState.WAITING
    assert settled([30.0], [2.0], SETTLE, started_s=10).state is SettleState.LATE


def test_nothing_measured_yet_is_waiting() -> None:
    assert settled([], [], SETTLE, started_s=10).state is SettleState.WAITING
