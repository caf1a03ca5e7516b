"""Small squares about stars: cut out of a frame, without their sky, and apertures in them."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nightloom.frames.image import Pixels
from nightloom.guiding.stars import ROUNDING_ADU, Floats

RIM_PX = 2


def windows(
    image: Pixels, column: NDArray[np.intp], row: NDArray[np.intp], radius_px: int
) -> Floats:
    """Squares of the image, (n, size, size), about pixels (n,) that are no nearer to its edge."""
    corners = zip((row - radius_px).tolist(), (column - radius_px).tolist(), strict=True)
    size = 2 * radius_px + 1
    return np.array([image[y : y + size, x : x + size] for y, x in corners], dtype=np.float64)


def without_sky(windows: Floats) -> tuple[Floats, Floats]:
    """Windows (n, size, size) less the median of their rims, two pixels wide, and the noise of a
    pixel there (n,). The frame has no NaN: a camera counts.
    """
    around = windows.reshape(len(windows), -1)[:, rim(windows.shape[1])]
    around.sort(axis=1)
    count = around.shape[1]
    quartile = count // 4
    low, middle, high = (around[:, at] for at in (quartile, count // 2, count - 1 - quartile))
    # The quartiles of a normal distribution are 1.349 σ apart.
    noise = np.maximum((high - low) / 1.349, ROUNDING_ADU)
    return windows - middle[:, None, None], noise


@lru_cache
def rim(size: int) -> NDArray[np.intp]:
    """Which pixels of a window (size, size), counted row after row, are its rim: (pixels,)."""
    outside = np.ones((size, size), dtype=np.bool_)
    outside[RIM_PX:-RIM_PX, RIM_PX:-RIM_PX] = False
    return np.flatnonzero(outside)


def aperture(step: NDArray[np.intp], centre: Floats, radius_px: float) -> tuple[Floats, Floats]:
    """How much of each pixel of n windows lies within an aperture about a centre (2, n), and the
    square of its distance from there, both (n, pixels), row after row.

    A pixel on the rim counts by the part of it that is inside, to first order.
    """
    across, down = (step - centre[:, :, None]) ** 2
    square = (down[:, :, None] + across[:, None, :]).reshape(-1, len(step) ** 2)
    return (radius_px + 0.5 - np.sqrt(square)).clip(0.0, 1.0), square
