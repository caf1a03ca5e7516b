"""Forecasts, corrections, the backlash of declination, and the calibration that does not fit."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.guiding import (
    Backlash,
    Calibration,
    Control,
    Forecast,
    GuidePolicy,
    GuideStatistics,
    PeriodicError,
    Pulses,
    Response,
    axis_ahead_s,
)

CALIBRATION = Calibration(30.0, 120.0, 2.0, 2.5, 0.0, backlash_s=0.3)
POLICY = GuidePolicy()
CADENCE_S = 2.2
errors = st.floats(-50, 50)


def followed(offsets_px: np.ndarray) -> tuple[Forecast, np.ndarray]:
    """A forecast that has seen these offsets, and how far it was off at each."""
    forecast = Forecast(PeriodicError())
    misses = [forecast.observe(CADENCE_S * n, float(y)) for n, y in enumerate(offsets_px)]
    return forecast, np.array(misses)


def air(count: int, scatter_px: float, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, scatter_px, count)


def gear_wave(count: int, period_s: float, amplitude_px: float) -> np.ndarray:
    """A gear's wave and a second harmonic a fifth as high."""
    turn = 2 * np.pi * CADENCE_S * np.arange(count) / period_s
    wave: np.ndarray = amplitude_px * (np.sin(turn + 0.7) + 0.2 * np.sin(2 * turn + 2.0))
    return wave


def test_first_error_is_corrected_in_full() -> None:
    """1 px at 2 px/s is 500 ms, and at 2.5 px/s 400 ms."""
    control = Control(CALIBRATION, POLICY)
    control.observe(0.0, 1.0, -1.0)
    assert control.correct(CADENCE_S) == Pulses(east_ms=500, north_ms=400)


@given(errors, errors)
def test_one_side_of_an_axis_rests_and_no_pulse_exceeds_the_longest(
    ra_px: float, dec_px: float
) -> None:
    control = Control(CALIBRATION, POLICY)
    control.observe(0.0, ra_px, dec_px)
    pulses = control.correct(CADENCE_S)
    assert min(pulses.west_ms, pulses.east_ms) == min(pulses.north_ms, pulses.south_ms) == 0
    assert pulses.duration_ms <= 2000


def test_small_errors_are_left_to_the_air() -> None:
    control = Control(CALIBRATION, POLICY)
    control.observe(0.0, 0.03, -0.03)
    assert control.correct(CADENCE_S) == Pulses()


def test_lost_star_says_nothing() -> None:
    control = Control(CALIBRATION, POLICY)
    control.observe(0.0, 1.0, 0.0)
    before = control.correct(CADENCE_S)
    control.observe(1.0, math.nan, math.nan)
    assert control.correct(CADENCE_S) == before


def test_a_lead_is_one_pulse_on_both_axes_and_no_error_afterwards() -> None:
    control = Control(CALIBRATION, POLICY)
    control.observe(0.0, 0.0, 0.0)
    pulses = control.lead(-4.0, 5.0)
    assert pulses == Pulses(east_ms=2000, north_ms=2000)
    control.given(pulses)
    assert control.ra.expected_px(CADENCE_S) == pytest.approx(0.0)
    assert control.dec.expected_px(CADENCE_S) == pytest.approx(0.0)


def test_pulses_that_were_not_given_are_made_up() -> None:
    control = Control(CALIBRATION, POLICY)
    control.observe(0.0, 0.0, 0.0)
    control.lead(-0.5, 0.0)
    assert control.correct(CADENCE_S) == Pulses(east_ms=250)


# Forecasts ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("scatter_px", [0.03, 0.1, 0.3])
def test_air_alone_is_measured_and_hardly_followed(scatter_px: float) -> None:
    """The mean square of one step's error is at most a tenth over the air's own: white noise
    through a gain g leaves 2/(2 − g) of it (variance of a geometric sum).
    """
    noise = air(1500, scatter_px)
    forecast, misses = followed(noise)
    assert forecast.seeing_px == pytest.approx(scatter_px, rel=0.15)
    assert np.mean(misses[300:] ** 2) < 1.1 * np.mean(noise[300:] ** 2)
    assert forecast.gain <= 0.15


def test_gain_rises_when_the_mount_wanders() -> None:
    """Steps as large as the air's scatter ask for a gain of (√5 − 1)/2 = 0.62: the steady Kalman
    gain of a random walk with q = r (Kalman 1960; solved by hand).
    """
    steps = np.cumsum(air(1500, 0.1, seed=2))
    forecast, misses = followed(steps + air(1500, 0.1))
    assert forecast.gain >= 0.4
    # The innovation of the best filter has the variance r/(1 − K) = 2.62 r.
    assert np.mean(misses[300:] ** 2) < 1.15 * 2.62 * 0.1**2


@pytest.mark.parametrize("period_s", [240.0, 480.0, 638.0])
def test_periodic_error_is_learned_within_two_turns(period_s: float) -> None:
    """After two turns, and twenty minutes, hardly more than the air is left; the period is not
    told.
    """
    count = int(max(5 * period_s, 3600) / CADENCE_S)
    noise = air(count, 0.09)
    forecast, misses = followed(gear_wave(count, period_s, 2.4) + noise)
    known = int(max(2.2 * period_s, 1200) / CADENCE_S)
    assert np.mean(misses[known:] ** 2) < 1.25 * np.mean(noise[known:] ** 2)
    assert forecast.periodic_error is not None
    assert forecast.periodic_error.period_s == pytest.approx(period_s, rel=0.01)
    assert forecast.periodic_error.amplitude_px == pytest.approx(2.4, rel=0.05)


def test_the_wave_goes_on_after_a_slew_where_the_axis_then_stands() -> None:
    """40 min at one place, then two and a half hours of axis further on, where the stars rest 5 px
    elsewhere: from the third frame on little more than the air is left, and twice as much where
    the wave is learned anew.
    """
    period_s, ahead_s = 478.7, 9000.0
    noise = air(1800, 0.09)

    def offset_px(at_s: float, axis_s: float, number: int) -> float:
        turn = 2 * math.pi * axis_s / period_s
        return 2.4 * math.sin(turn) + 0.001 * at_s + float(noise[number])

    control = Control(CALIBRATION, POLICY, PeriodicError())
    for n in range(1100):
        control.observe(CADENCE_S * n, offset_px(CADENCE_S * n, CADENCE_S * n, n), 0.0)
    known, learner = control.next_one(CALIBRATION, ahead_s).ra.forecast, Forecast(PeriodicError())
    misses = np.array(
        [
            [
                one.observe(at_s, 5.0 + offset_px(at_s, at_s + ahead_s, n))
                for one in (known, learner)
            ]
            for n, at_s in ((n, CADENCE_S * n) for n in range(1150, 1400))
        ]
    )
    over_air = np.mean(misses[2:] ** 2, axis=0) / np.mean(noise[1152:1400] ** 2)
    assert known.periodic_error is not None
    assert over_air[0] < 1.15
    assert over_air[1] > 1.3


def test_a_wave_that_does_not_go_on_is_not_heard_for_long() -> None:
    """A clutch slipped in the slew: soon the forecasts are those of one that knows nothing."""
    offsets = gear_wave(1500, 480.0, 2.4) + air(1500, 0.09)
    control = Control(CALIBRATION, POLICY, PeriodicError())
    for n, offset in enumerate(offsets[:1000]):
        control.observe(CADENCE_S * n, float(offset), 0.0)
    misled = control.next_one(CALIBRATION, 240.0).ra.forecast
    naive = Forecast(PeriodicError(240.0))
    both = np.array(
        [
            [one.observe(CADENCE_S * n, float(offsets[n])) for one in (misled, naive)]
            for n in range(1000, 1500)
        ]
    )
    misled_ms, naive_ms = np.mean(both[30:] ** 2, axis=0)
    assert misled_ms < 1.15 * naive_ms


def test_the_axis_stands_where_a_german_mount_has_it() -> None:
    """It goes on turning through the meridian; crossing it takes half a turn, 43082 s (half of a
    sidereal day of 86164.09 s).
    """
    east = axis_ahead_s(15.0, 1000.0, beyond_pole=False)
    assert east == pytest.approx(3600.0 / 1.0027379 - 1000.0, abs=0.1)
    assert axis_ahead_s(-345.0, 1000.0, beyond_pole=False) == pytest.approx(east)
    assert axis_ahead_s(15.0, 1000.0, beyond_pole=True) - east == pytest.approx(43082.0, abs=1.0)


def test_no_wave_is_heard_where_there_is_none() -> None:
    noise = air(2000, 0.09)
    _, misses = followed(noise)
    assert np.mean(misses[300:] ** 2) < 1.1 * np.mean(noise[300:] ** 2)


def test_a_single_gust_is_not_chased_and_a_real_move_is() -> None:
    calm = air(300, 0.1)
    forecast, _ = followed(calm)
    now_s = 300 * CADENCE_S
    forecast.observe(now_s, 3.0)
    assert abs(forecast.at(now_s + CADENCE_S)) < 0.3
    forecast.observe(now_s + CADENCE_S, 3.0)
    assert forecast.at(now_s + 2 * CADENCE_S) == pytest.approx(3.0, abs=0.5)


# Declination -------------------------------------------------------------------------------------


@given(st.lists(st.floats(-5, 5).filter(lambda move: abs(move) > 1e-3), min_size=1, max_size=30))
def test_play_tells_where_the_telescope_is(moves: list[float]) -> None:
    """Against motor and telescope as two bodies, once the motor has been through the backlash."""
    width = 0.7
    backlash = Backlash(width)
    motor = telescope = 0.0  # touching upwards
    for number, move in enumerate([5.0, *moves]):
        motor += move
        moved = min(max(telescope, motor), motor + width) - telescope
        telescope += moved
        told = backlash.turn(move)
        if number:
            assert told == pytest.approx(moved, abs=1e-9)


@pytest.mark.parametrize("believed_px", [0.0, 0.4, 1.4])
def test_play_is_learned_from_the_turns(believed_px: float) -> None:
    """Twenty turns through 0.7 px of backlash, each seen through 0.05 px of air."""
    chance, true, backlash = np.random.default_rng(1), Backlash(0.7), Backlash(believed_px)
    for motor_px in (3.0, -3.0) * 10:
        moved, told = true.turn(motor_px), backlash.turn(motor_px)
        side = math.copysign(1.0, motor_px)
        backlash.turned(side * (moved - told + chance.normal(0, 0.05)))
    # The mean of ten turns has an error of 0.016 px; what was believed counts for a tenth at most.
    assert backlash.width_px == pytest.approx(0.7, abs=0.08)
    assert backlash.side == -1


def test_a_turn_in_the_control_teaches_the_play() -> None:
    """0.75 px were measured and 0.25 px are there: after one turn the mean of both, 0.5 px, which
    are 0.2 s of pulse.
    """
    control = Control(CALIBRATION, POLICY)
    true, telescope = Backlash(0.25), 0.0
    true.turn(-1.0)
    for n in range(30):
        control.observe(CADENCE_S * n, 0.0, telescope + 0.01 * (-1) ** n)
        control.given(Pulses())
    for n, pulses in enumerate((Pulses(south_ms=1000), Pulses(north_ms=1000)), start=30):
        control.given(pulses)
        telescope += true.turn(2.5 * (pulses.north_ms - pulses.south_ms) / 1000)
        control.observe(CADENCE_S * n, 0.0, telescope)
    assert control.backlash_s == pytest.approx(0.2, abs=0.03)


def test_turning_round_takes_the_play_with_it() -> None:
    """0.3 s of backlash, of which a seventh is left for the next frame."""
    control = Control(CALIBRATION, POLICY)
    control.observe(0.0, 0.0, 0.0)
    control.given(control.lead(0.0, 5.0))
    pulses = control.lead(0.0, -5.0)
    assert pulses.south_ms == pytest.approx(2000 + 0.85 * 300, abs=1)


def test_declination_keeps_to_the_side_that_the_drift_asks_for() -> None:
    """With 0.02 px a minute of drift north, nearly all pulses are south."""
    control = Control(CALIBRATION, POLICY)
    telescope, backlash, sides = 0.0, Backlash(0.75), []
    backlash.turn(-1.0)
    for frame, noise in enumerate(air(1500, 0.08)):
        drift = 0.004 * frame
        control.observe(CADENCE_S * frame, 0.0, drift + telescope + noise)
        pulses = control.correct(CADENCE_S * (frame + 1))
        control.given(pulses)
        if dec_ms := pulses.north_ms - pulses.south_ms:
            telescope += backlash.turn(dec_ms / 1000 * 2.5)
            sides.append(dec_ms > 0)
    assert len(sides) > 30
    assert np.mean(sides) < 0.1


# Calibration that fits, or not -------------------------------------------------------------------


def response_of(share: float, moves_px: float, count: int = 150) -> Response:
    """What is learned from moves of which this part really comes."""
    response, rng = Response(), np.random.default_rng(5)
    for move, noise in zip(rng.normal(0, moves_px, count), rng.normal(0, 0.1, count), strict=True):
        response.add(float(move), float((share - 1) * move + noise), 0.1)
    return response


@pytest.mark.parametrize("share", [0.8, 1.0, 1.3])
def test_calibration_that_fits_is_not_doubted(share: float) -> None:
    response = response_of(share, 0.1)
    assert response.fits
    assert response.proven
    assert response.share == pytest.approx(share, abs=3 * response.error)


@pytest.mark.parametrize("share", [-1.0, 0.0, 0.2, 2.5])
def test_wrong_sign_lost_pulses_and_wrong_rates_are_noticed(share: float) -> None:
    assert not response_of(share, 0.1).fits


def test_a_runaway_is_noticed_while_it_is_small() -> None:
    """After an hour that fitted, pulses go the other way: each frame is further off by half."""
    response = response_of(1.0, 0.1)
    error_px = 0.2
    while response.fits and error_px < 10.0:
        response.add(-error_px, 2 * error_px, 0.1)
        error_px *= 1.5
    assert error_px < 3.0


def test_an_axis_that_was_turned_round_is_guided_the_other_way_and_a_deaf_one_rests() -> None:
    control = Control(CALIBRATION, POLICY)
    control.ra.response, control.dec.response = response_of(0.05, 0.3), response_of(-1.0, 0.3)
    assert not control.fits
    made = control.makeshift()
    made.observe(0.0, 1.0, 1.0)
    pulses = made.correct(CADENCE_S)
    assert pulses.west_ms == pulses.east_ms == 0
    # Its error counts the way round that the stars now go, and so does its pulse.
    assert made.calibration.dec_angle_deg == CALIBRATION.dec_angle_deg + 180.0
    assert pulses.south_ms == pytest.approx(400, rel=0.1)


def test_one_move_that_met_a_gust_proves_nothing() -> None:
    response = Response()
    response.add(5.0, -5.0, 0.1)
    assert response.fits


# Statistics --------------------------------------------------------------------------------------


def test_statistics_agree_with_numpy() -> None:
    rng = np.random.default_rng(4)
    ra, dec = rng.normal(0, 0.3, (2, 500))
    statistics = GuideStatistics(2.0)
    for one_ra, one_dec in zip(ra, dec, strict=True):
        statistics = statistics.add(float(one_ra), float(one_dec), 0.25)
    statistics = statistics.add(math.nan, math.nan, 0.25)
    assert statistics.count == 500
    assert statistics.ra_rms_arcsec == pytest.approx(2 * np.sqrt(np.mean(ra**2)))
    assert statistics.dec_rms_arcsec == pytest.approx(2 * np.sqrt(np.mean(dec**2)))
    assert statistics.rms_arcsec == pytest.approx(2 * np.sqrt(np.mean(ra**2 + dec**2)))
    assert statistics.peak_arcsec == pytest.approx(2 * np.hypot(ra, dec).max())
    assert statistics.seeing_arcsec == pytest.approx(0.5)
    assert math.isnan(statistics.fresh().rms_arcsec)
