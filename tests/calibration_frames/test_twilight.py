"""Flats of a sky whose light changes: exposures, waiting, the order of filters, and where."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from nightloom.calibration_frames.level import Limits
from nightloom.calibration_frames.twilight import (
    Seen,
    away_from_sun_deg,
    expected_change_per_s,
    exposure_for_s,
    middle_rate,
    next_filter,
    rate_at,
    seen_change_per_s,
    through,
    wait_s,
)
from nightloom.sky import Site, place_at
from nightloom.sky.altitude import horizontal_deg, sidereal_deg

ASKED_ADU = 24_600.0
LIMITS = Limits(0.5, 120.0)
BRIGHTENS = st.floats(5e-4, 8e-3)


@given(st.floats(50.0, 20_000.0), st.one_of(BRIGHTENS, BRIGHTENS.map(lambda k: -k), st.just(0.0)))
def test_an_exposure_gathers_what_is_asked_while_the_sky_changes(rate: float, k: float) -> None:
    """Against the integral by scipy."""
    exposure_s = exposure_for_s(ASKED_ADU, rate, k)
    if math.isinf(exposure_s):
        assert rate / -k <= ASKED_ADU  # all the light that is left
        return
    gathered, _ = quad(lambda t: rate * math.exp(k * t), 0.0, exposure_s)
    assert gathered == pytest.approx(ASKED_ADU, rel=1e-6)


@given(st.floats(1.0, 1e6), BRIGHTENS, st.booleans())
def test_after_the_wait_a_flat_is_as_long_as_may_be(rate: float, k: float, dusk: bool) -> None:
    change = -k if dusk else k
    pause_s = wait_s(ASKED_ADU, rate, change, LIMITS)
    now_s = exposure_for_s(ASKED_ADU, rate, change)
    if math.isinf(pause_s):
        assert now_s > 120.0 if dusk else now_s < 0.5
    elif pause_s == 0.0:
        assert 0.5 - 1e-6 <= now_s <= 120.0 + 1e-6
    else:
        then_s = exposure_for_s(ASKED_ADU, rate * math.exp(change * pause_s), change)
        assert then_s == pytest.approx(0.5 if dusk else 120.0, rel=1e-4)


@given(BRIGHTENS, st.floats(16.0, 300.0), st.floats(0.5, 2.0))
def test_two_frames_tell_how_the_sky_changes(k: float, apart_s: float, guess: float) -> None:
    first = Seen(0.0, 100.0)
    second = Seen(apart_s, rate_at(first, k, apart_s))
    assert seen_change_per_s(first, second, guess * k) == pytest.approx(k, rel=1e-6)


def test_frames_too_near_or_under_a_cloud_tell_nothing() -> None:
    assert seen_change_per_s(Seen(0.0, 100.0), Seen(5.0, 150.0), 0.003) == 0.003
    assert seen_change_per_s(Seen(0.0, 100.0), Seen(60.0, 40.0), 0.003) == 0.003


def test_a_frames_mean_is_the_skys_rate_in_its_middle() -> None:
    k, exposure_s = 0.004, 60.0
    signal = 100.0 * math.expm1(k * exposure_s) / k
    seen = middle_rate(signal, 1000.0, exposure_s)
    assert rate_at(seen, k, 1000.0) == pytest.approx(100.0, rel=0.01)


def test_the_sky_brightens_as_the_published_rate_says() -> None:
    """10^0.094 a minute at a site where the Sun climbs 0.21° in it (Tyson & Gal 1993, AJ 105,
    1206; the numbers from memory)."""
    change = expected_change_per_s(0.21 / 60)
    assert math.exp(change * 60) == pytest.approx(10**0.094, rel=0.03)
    assert expected_change_per_s(-0.003) == -expected_change_per_s(0.003)


def test_wide_filters_come_first_at_dawn_and_last_at_dusk() -> None:
    bands: dict[str, float | None] = {"Ha": 6.0, "L": 300.0, "G": 90.0}
    assert next_filter(bands, brightens=True) == "L"
    assert next_filter(bands, brightens=False) == "Ha"
    assert through(Seen(5.0, 300.0), 300.0, 6.0) == Seen(5.0, 6.0)


def test_the_even_sky_is_near_the_zenith_away_from_the_sun() -> None:
    """Chromey & Hasselbacher 1996, PASP 108, 944 (13° from the zenith; from memory)."""
    altitude_deg, azimuth_deg = away_from_sun_deg(110.0)
    assert (altitude_deg, azimuth_deg) == (77.0, 290.0)


@given(st.floats(20.0, 89.0), st.floats(0.0, 359.9), st.floats(-65.0, 65.0))
def test_a_direction_is_found_again_by_its_coordinates(
    altitude_deg: float, azimuth_deg: float, latitude_deg: float
) -> None:
    site, at_s = Site(latitude_deg, 9.6, 0.0), 1_794_000_000.0
    ra, dec = place_at(site, altitude_deg, azimuth_deg, at_s)
    angle = float(sidereal_deg(at_s, 9.6)) - ra
    height, around = horizontal_deg(site, angle, dec)
    assert float(height) == pytest.approx(altitude_deg, abs=1e-6)
    assert np.cos(np.radians(float(around) - azimuth_deg)) == pytest.approx(1.0, abs=1e-9)
