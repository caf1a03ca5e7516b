"""Star fields whose truth is known, drawn with astropy's profiles."""

import numpy as np
from astropy.convolution import discretize_model
from astropy.modeling import Model
from astropy.modeling.models import Disk2D, Gaussian2D, Moffat2D
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

FWHM_PER_SIGMA = np.sqrt(8 * np.log(2))


def draw(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux_adu: NDArray[np.float64],
    *,
    fwhm_px: float,
    moffat_beta: float | None = None,
    shape: tuple[int, int] = (768, 1024),
    sky_adu: float = 400.0,
    noise_adu: float = 8.0,
    seed: int = 1,
) -> NDArray[np.uint16]:
    """A frame of stars at 0-based pixels, with photon noise at 1 electron per ADU."""
    image = np.full(shape, sky_adu)
    place(image, x, y, flux_adu, fwhm_px=fwhm_px, moffat_beta=moffat_beta)
    return exposed(image, sky_adu=sky_adu, noise_adu=noise_adu, seed=seed)


def place(
    image: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux_adu: NDArray[np.float64],
    *,
    fwhm_px: float,
    moffat_beta: float | None = None,
) -> None:
    """Add stars to an image in place."""
    shape = image.shape
    half = round(8 * fwhm_px) + 3
    for star_x, star_y, flux in zip(x, y, flux_adu, strict=True):
        left, top = round(star_x) - half, round(star_y) - half
        star = _profile(flux, star_x - left, star_y - top, fwhm_px, moffat_beta)
        size = (0, 2 * half + 1)
        stamp = discretize_model(star, size, size, mode="oversample", factor=5)
        rows = slice(max(0, top), max(0, min(shape[0], top + size[1])))
        columns = slice(max(0, left), max(0, min(shape[1], left + size[1])))
        image[rows, columns] += stamp[
            rows.start - top : rows.stop - top, columns.start - left : columns.stop - left
        ]


def draw_defocused(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux_adu: NDArray[np.float64],
    *,
    disk_radius_px: float,
    hole: float = 0.0,
    sigma_px: float = 1.3,
    shape: tuple[int, int] = (768, 1024),
    sky_adu: float = 400.0,
    seed: int = 1,
) -> NDArray[np.uint16]:
    """A frame of uniform disks, or rings with a hole of that share of the radius, seen through
    Gaussian seeing; at the nearest whole pixels.
    """
    half = round(disk_radius_px + 6 * sigma_px) + 2
    size = (-half, half + 1)
    stamp = discretize_model(Disk2D(1, 0, 0, disk_radius_px), size, size, "oversample", factor=9)
    if hole:
        inner = Disk2D(1, 0, 0, hole * disk_radius_px)
        stamp -= discretize_model(inner, size, size, "oversample", factor=9)
    stamp = gaussian_filter(stamp / stamp.sum(), sigma_px, truncate=6)
    image = np.pad(np.full(shape, sky_adu), half)
    for column, row, flux in zip(
        np.rint(x).astype(int), np.rint(y).astype(int), flux_adu, strict=True
    ):
        image[row : row + 2 * half + 1, column : column + 2 * half + 1] += flux * stamp
    return exposed(image[half:-half, half:-half], sky_adu=sky_adu, seed=seed)


def exposed(
    image: NDArray[np.float64], *, sky_adu: float = 400.0, noise_adu: float = 8.0, seed: int = 1
) -> NDArray[np.uint16]:
    """A frame of mean values, with the noise of a sky and of all light beyond it."""
    rng = np.random.default_rng(seed)
    noisy = rng.normal(image, np.sqrt(noise_adu**2 + np.maximum(image - sky_adu, 0)))
    return np.clip(np.rint(noisy), 0, 65535).astype(np.uint16)


def _profile(flux: float, x: float, y: float, fwhm_px: float, moffat_beta: float | None) -> Model:
    if moffat_beta is None:
        sigma = fwhm_px / FWHM_PER_SIGMA
        return Gaussian2D(flux / (2 * np.pi * sigma**2), x, y, sigma, sigma)
    width = fwhm_px / (2 * np.sqrt(2 ** (1 / moffat_beta) - 1))
    peak = flux * (moffat_beta - 1) / (np.pi * width**2)
    return Moffat2D(peak, x, y, width, moffat_beta)


def scattered(
    count: int, shape: tuple[int, int] = (768, 1024), margin_px: float = 40.0, seed: int = 2
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Random x, y and fluxes (10⁴ to 3·10⁵ ADU) of stars inside a frame."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(margin_px, shape[1] - margin_px, count)
    y = rng.uniform(margin_px, shape[0] - margin_px, count)
    return x, y, 10 ** rng.uniform(4, 5.5, count)
