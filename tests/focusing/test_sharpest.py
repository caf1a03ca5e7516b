"""What a good curve's minimum lets expect of later frames, by the guide stars' own width."""

import math

import pytest

from nightloom.focusing import Sharpest

CURVE = Sharpest(radius_px=1.3, wavelength_nm=550.0, guide_fwhm_px=3.7)


def test_under_the_same_air_stars_are_as_at_the_minimum() -> None:
    assert CURVE.expected_px(550.0, 3.7) == pytest.approx(1.3)


def test_stars_grow_with_the_air_whatever_the_guide_optics_add() -> None:
    """Seeing of 2.6 px becomes one of 3.9 px; the guide optics blur by 2.63 px, in quadrature."""
    own_px = math.sqrt(3.7**2 - 2.6**2)
    assert CURVE.expected_px(550.0, math.hypot(own_px, 3.9)) == pytest.approx(3.9 / 2)


def test_red_light_is_steadier() -> None:
    """Seeing goes as the wavelength to the power of −1/5 (Fried 1966)."""
    assert CURVE.expected_px(656.0, 3.7) == pytest.approx(1.3 * (656 / 550) ** -0.2)


def test_calm_air_asks_for_a_fifth_less_at_most() -> None:
    assert CURVE.expected_px(550.0, 1.0) == pytest.approx(0.8 * 1.3)


def test_without_guide_stars_nothing_is_expected() -> None:
    assert math.isnan(CURVE.expected_px(550.0, math.nan))
    assert math.isnan(Sharpest(1.3, 550.0, math.nan).expected_px(550.0, 3.7))
