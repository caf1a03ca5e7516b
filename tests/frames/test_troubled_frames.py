"""What is in a frame besides well-behaved stars."""

import numpy as np
import pytest
from numpy.typing import NDArray

from frames.rendering import exposed, place, scattered
from nightloom.frames.stars import StarField, measure

SATURATION_ADU = 64000.0
ROWS, COLUMNS = np.mgrid[0:768, 0:1024].astype(float)
X, Y, FLUX = scattered(60)
FWHM_PX = 3.5
RADIUS_PX = 1.17741 * np.hypot(FWHM_PX / 2.35482, (2 / 12) ** 0.5)  # a Gaussian's, with its pixels


def field_with(more: NDArray[np.float64] | float = 0.0, stars: int = 60) -> StarField:
    """A field of round stars under something else, measured."""
    image = np.full((768, 1024), 400.0)
    place(image, X[:stars], Y[:stars], FLUX[:stars], fwhm_px=FWHM_PX)
    return measure(exposed(image + more), saturation_adu=SATURATION_ADU)


def trail(peak_adu: float, slope: float = 0.3, offset_px: float = 200.0) -> NDArray[np.float64]:
    """A satellite's: a line as wide as the stars."""
    off_px = (ROWS - slope * COLUMNS - offset_px) / np.hypot(1, slope)
    return np.asarray(peak_adu * np.exp(-0.5 * (2.35482 * off_px / FWHM_PX) ** 2))


def glow(peak_adu: float, x: float, y: float, sigma_px: float) -> NDArray[np.float64]:
    """A nebula's."""
    return np.asarray(
        peak_adu * np.exp(-0.5 * ((COLUMNS - x) ** 2 + (ROWS - y) ** 2) / sigma_px**2)
    )


@pytest.mark.parametrize("peak_adu", [20.0, 40.0, 100.0, 500.0, 5000.0])
def test_a_satellites_trail_is_no_star(peak_adu: float) -> None:
    """Whether it is seen in one piece or in bits; a star or two may be lost in it."""
    field = field_with(trail(peak_adu))
    assert field.count == pytest.approx(60, abs=6)
    assert field.half_flux_radius_px == pytest.approx(RADIUS_PX, rel=0.02)


def test_three_trails_are_no_stars() -> None:
    field = field_with(trail(30) + trail(50, -0.5, 700) + trail(800, 1.5, -300))
    assert field.count == pytest.approx(60, abs=10)
    assert field.half_flux_radius_px == pytest.approx(RADIUS_PX, rel=0.02)


def test_a_bad_column_is_no_star() -> None:
    bad = np.where(np.isin(COLUMNS, (300, 301, 702)), 60.0, 0.0)
    field = field_with(bad)
    assert field.count == pytest.approx(60, abs=6)
    assert field.half_flux_radius_px == pytest.approx(RADIUS_PX, rel=0.02)


def test_a_gradient_changes_nothing() -> None:
    """From 400 to 1400 ADU across the frame, its middle being the background."""
    field = field_with(1000 * COLUMNS / 1024)
    assert field.count == pytest.approx(60, abs=4)
    assert field.half_flux_radius_px == pytest.approx(RADIUS_PX, rel=0.02)
    assert field.background_adu == pytest.approx(900, rel=0.1)


def test_nebulae_are_not_what_is_measured() -> None:
    """Their knots may be counted, and hide some stars."""
    nebula = glow(1500, 300, 300, 60) + glow(800, 700, 400, 30) + glow(500, 500, 600, 15)
    field = field_with(nebula)
    assert field.count == pytest.approx(60, abs=10)
    assert field.half_flux_radius_px == pytest.approx(RADIUS_PX, rel=0.02)


def test_blends_do_not_widen_the_stars() -> None:
    """Half of the stars have a companion seven pixels off: those are found to be crowded."""
    image = np.full((768, 1024), 400.0)
    place(image, X, Y, FLUX, fwhm_px=FWHM_PX)
    place(image, X[:30] + 7.0, Y[:30], FLUX[:30] / 2, fwhm_px=FWHM_PX)
    field = measure(exposed(image), saturation_adu=SATURATION_ADU)
    assert field.stars["crowded"].sum() >= 40
    assert field.half_flux_radius_px == pytest.approx(RADIUS_PX, rel=0.02)


@pytest.mark.parametrize("stars", [1, 2, 5])
def test_few_stars_are_enough_for_an_answer(stars: int) -> None:
    field = field_with(stars=stars)
    assert field.count == stars
    assert field.half_flux_radius_px == pytest.approx(RADIUS_PX, rel=0.06)


def test_the_share_of_saturated_pixels_is_told() -> None:
    image = np.full((768, 1024), 400.0)
    image[100:110, 200:300] = 1e6
    field = measure(exposed(image), saturation_adu=SATURATION_ADU)
    assert field.saturated_fraction == 1000 / (768 * 1024)
