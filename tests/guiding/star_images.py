"""Guide frames with known truth: Gaussian stars, photon and readout noise, drawn for the tests."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

Star = tuple[float, float, float]


def star_image(
    stars: Sequence[Star],
    *,
    rng: np.random.Generator | None,
    fwhm_px: float = 3.0,
    sky_adu: float = 200.0,
    read_noise_adu: float = 4.0,
    shape: tuple[int, int] = (240, 320),
    hot_pixels: Sequence[tuple[int, int, float]] = (),
) -> NDArray[np.uint16]:
    """Stars (x, y, flux in ADU, gain 1) integrated over pixels; hot pixels (x, y, ADU)."""
    light = np.full(shape, float(sky_adu))
    width = fwhm_px / 2.3548 * np.sqrt(2)
    for x, y, flux in stars:
        across = np.diff(erf((np.arange(shape[1] + 1) - 0.5 - x) / width)) / 2
        down = np.diff(erf((np.arange(shape[0] + 1) - 0.5 - y) / width)) / 2
        light += flux * down[:, None] * across
    if rng is not None:
        light = rng.poisson(light) + rng.normal(0, read_noise_adu, shape)
    for column, row, level in hot_pixels:
        light[row, column] += level
    return np.asarray(np.clip(np.rint(light), 0, 65535), dtype=np.uint16)


def moved(stars: Sequence[Star], dx: float, dy: float, dim: float = 1.0) -> list[Star]:
    """The same stars elsewhere, dimmed."""
    return [(x + dx, y + dy, flux * dim) for x, y, flux in stars]
