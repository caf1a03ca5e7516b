"""The Moon's light, against published figures."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from nightloom.sky import (
    dark_sky_nl,
    full_moon,
    moonlight_nl,
)
from sky.moments import utc


def magnitude_v(brightness_nl: ArrayLike) -> float:
    """V magnitudes a square arcsecond (Krisciunas & Schaefer 1991, equation 1, turned round)."""
    return float((20.7233 - np.log(np.asarray(brightness_nl) / 34.08)) / 0.92104)


def test_moonlit_sky_of_a_survey_simulator() -> None:
    """Field at zenith distance 20°, Moon at 70°, 50° apart, phase angle 45°, k 0.15: V 19.855.

    The example in the documentation of a survey simulator that uses Krisciunas & Schaefer (1991).
    """
    moonlight = moonlight_nl(20.0, 70.0, 50.0, 45.0, extinction=0.15)
    assert magnitude_v(moonlight) == pytest.approx(19.855, abs=5e-4)


@pytest.mark.parametrize(
    ("separation_deg", "phase_angle_deg", "magnitude"),
    [(60.0, 0.0, 18.515), (60.0, 90.0, 21.117), (30.0, 0.0, 17.800)],
)
def test_moonlit_sky(separation_deg: float, phase_angle_deg: float, magnitude: float) -> None:
    """Moon at zenith distance 45°, field at 30°, computed from Krisciunas & Schaefer (1991)."""
    moonlight = moonlight_nl(30.0, 45.0, separation_deg, phase_angle_deg)
    assert magnitude_v(moonlight) == pytest.approx(magnitude, abs=1e-3)


def test_the_dark_zenith() -> None:
    """79 nL are 21.587 V magnitudes a square arcsecond (Krisciunas & Schaefer 1991, table 1)."""
    assert magnitude_v(dark_sky_nl(0.0)) == pytest.approx(21.587, abs=1e-3)


def test_a_moon_that_is_down_gives_no_light() -> None:
    assert float(moonlight_nl(30.0, 95.0, 100.0, 0.0)) == 0.0


@given(st.floats(0, 80), st.floats(0, 89), st.floats(10, 170), st.floats(0, 179))
def test_moonlight_grows_towards_full_moon(
    zenith_deg: float, moon_zenith_deg: float, separation_deg: float, phase_angle_deg: float
) -> None:
    place = zenith_deg, moon_zenith_deg, separation_deg
    assert moonlight_nl(*place, phase_angle_deg) > moonlight_nl(*place, phase_angle_deg + 1)


def test_every_moment_has_its_nearest_full_moon() -> None:
    """Full Moons come 29.27 to 29.83 days apart (Meeus, More Mathematical Astronomy Morsels)."""
    moons = np.unique(np.round(full_moon(utc(2026, 1, 1) + 86400.0 * np.arange(360.0)), -2))
    apart_days = np.diff(moons) / 86400
    assert np.all((apart_days > 29.2) & (apart_days < 29.9))
