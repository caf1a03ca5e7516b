import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import erf

from nightloom_drivers.physics.psf import (
    Blur,
    add_stars,
    gaussian_stamps,
    half_flux_radius_px,
    shifted_stamps,
)


def draw(x: float, y: float, flux: float, blur: Blur, size: int = 160) -> np.ndarray:
    image = np.zeros((size, size), np.float32)
    add_stars(image, np.array([x]), np.array([y]), np.array([flux]), blur)
    return image.astype(np.float64)


def measured_half_flux_radius(image: np.ndarray, x: float, y: float) -> float:
    """Find the circle that holds half of the flux, with pixels on its edge counted in part."""
    rows, columns = np.indices(image.shape)
    distance = np.hypot(rows - y, columns - x)

    def excess(radius: float) -> float:
        return float((image * np.clip(radius - distance + 0.5, 0, 1)).sum() - image.sum() / 2)

    return float(brentq(excess, 0.1, image.shape[0] / 2))


@pytest.mark.parametrize(
    ("ratio", "expected"),
    [(0, 1.177), (0.5, 1.213), (1, 1.322), (2, 1.724), (3, 2.280), (5, 3.575), (8, 5.661)],
)
def test_half_flux_radius_of_defocused_stars(ratio: float, expected: float) -> None:
    """Gaussian seeing and a uniform disk, computed independently by Monte Carlo, in σ."""
    sigma = 6.0
    blur = Blur(sigma**2 - 1 / 12, sigma**2 - 1 / 12, 0.0, ratio * sigma)
    image = draw(80, 80, 1e6, blur, 161)
    assert measured_half_flux_radius(image, 80, 80) / sigma == pytest.approx(expected, rel=0.006)


@pytest.mark.parametrize(("hole", "slope"), [(0.0, 0.707), (0.3, 0.738), (0.5, 0.791)])
def test_far_slope_with_an_obstruction(hole: float, slope: float) -> None:
    """The radius of half of a ring's light over its outer radius, computed."""
    blur = Blur(0.5, 0.5, 0.0, 40.0, hole)
    found = measured_half_flux_radius(draw(80, 80, 1e6, blur, 161), 80, 80)
    assert found / 40 == pytest.approx(slope, rel=0.006)
    assert half_flux_radius_px(blur) / 40 == pytest.approx(slope, rel=0.006)


@pytest.mark.parametrize("sigma", [0.8, 1.5, 4.0])
@pytest.mark.parametrize("disk", [0.0, 1.0, 4.0, 9.0, 25.0])
def test_stated_half_flux_radius_is_the_drawn_one(sigma: float, disk: float) -> None:
    blur = Blur(sigma**2, sigma**2, 0.0, disk)
    fine = shifted_stamps(blur)  # put the eight shifts together into an image eight times finer
    size = fine.shape[-1]
    image = fine.transpose(2, 0, 3, 1).reshape(8 * size, 8 * size).astype(np.float64)
    found = measured_half_flux_radius(image, 4 * size, 4 * size) / 8
    assert half_flux_radius_px(blur) == pytest.approx(found, rel=0.01)


@settings(max_examples=25)
@given(x=st.floats(60, 100), y=st.floats(60, 100), sigma=st.floats(0.6, 3), disk=st.floats(0, 12))
@example(x=60.5, y=60.5, sigma=1.0, disk=5e-324)
def test_light_and_place_are_kept(x: float, y: float, sigma: float, disk: float) -> None:
    """A star's pixels sum to its flux and balance at its place, to 1/16 pixel."""
    image = draw(x, y, 1000.0, Blur(sigma**2, sigma**2, 0.0, disk))
    assert image.sum() == pytest.approx(1000, rel=1e-3)
    rows, columns = np.indices(image.shape)
    assert (image * columns).sum() / image.sum() == pytest.approx(x, abs=0.066)
    assert (image * rows).sum() / image.sum() == pytest.approx(y, abs=0.066)
    assert image.min() > -1e-2


def test_a_sharp_star_is_the_integral_of_a_gaussian_over_pixels() -> None:
    """Against the error function in closed form."""
    edges = np.arange(-8.5, 9) / (np.sqrt(2) * 0.8)
    share = 0.5 * np.diff(erf(edges))
    image = draw(80, 80, 1.0, Blur(0.64, 0.64))[72:89, 72:89]
    np.testing.assert_allclose(image, np.outer(share, share), atol=2e-5)


def test_smear_makes_stars_long() -> None:
    image = draw(80, 80, 1.0, Blur(5.0, 2.0, 1.0))
    rows, columns = np.indices(image.shape) - 80.0
    assert (image * columns**2).sum() == pytest.approx(5.0 + 1 / 12, rel=0.01)
    assert (image * rows**2).sum() == pytest.approx(2.0 + 1 / 12, rel=0.01)
    assert (image * rows * columns).sum() == pytest.approx(1.0, rel=0.01)


def test_stars_over_the_edge_are_cut() -> None:
    image = draw(-0.5, 80, 1.0, Blur(2.0, 2.0))
    assert image.sum() == pytest.approx(0.5, abs=0.02)
    assert draw(-60, 80, 1.0, Blur(2.0, 2.0)).sum() == 0


def test_guide_stamps_keep_light_and_place() -> None:
    x, y = np.array([10.3, 20.49]), np.array([7.8, 3.0])
    left, down, images = gaussian_stamps(x, y, 1.1, 6)
    columns = np.arange(13)
    np.testing.assert_allclose(images.sum(axis=(1, 2)), 1, atol=1e-5)
    np.testing.assert_allclose(left + (images.sum(axis=1) * columns).sum(axis=1), x, atol=1e-4)
    np.testing.assert_allclose(down + (images.sum(axis=2) * columns).sum(axis=1), y, atol=1e-4)
