"""Frames made small enough to look at: means of squares, and a stretch that shows faint light."""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Small = NDArray[np.float32]

SKY = 0.18
"""How bright the sky becomes, of 1: dark, and faint light shows against it."""

SIGMAS_BELOW = 2.0
"""Black lies so far below the sky."""

WHITE_QUANTILE = 0.999


STRIP_PX = 500_000

ENOUGH_PX = 60_000
"""Pixels that a median is taken of: it is then good to half a percent of their scatter."""


class Rows(Protocol):
    """A frame of (rows, columns) of which rows can be had without the rest."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Rows and columns."""
        ...

    def __getitem__(self, rows: slice, /) -> NDArray[np.integer] | NDArray[np.floating]:
        """Some of its rows."""
        ...


def step_of(shape: tuple[int, ...], side_px_max: int) -> int:
    """The side of the squares by which no side of a frame is longer than so many pixels."""
    return max(1, -(-max(shape) // side_px_max))


def small(frame: Rows, side_px_max: int) -> Small:
    """The means of squares of `step_of` pixels; what is left at the far edges is left out.

    A strip of STRIP_PX pixels is in memory at a time.
    """
    step = step_of(frame.shape, side_px_max)
    rows, columns = (size // step for size in frame.shape)
    deep = max(1, STRIP_PX // (step * step * columns))
    means = np.empty((rows, columns), np.float32)
    for row in range(0, rows, deep):
        end = min(row + deep, rows)
        strip = np.asarray(frame[row * step : end * step], np.float32)[:, : columns * step]
        means[row:end] = strip.reshape(end - row, step, columns, step).mean(axis=(1, 3))
    return means


def sky_and_noise(picture: Small) -> tuple[float, float]:
    """Median and scatter (1.4826 median absolute deviations) of what is finite."""
    seen = picture[np.isfinite(picture)]
    if not seen.size:
        return 0.0, 1.0
    seen = seen[:: -(-seen.size // ENOUGH_PX)]
    sky = float(np.median(seen))
    return sky, 1.4826 * float(np.median(np.abs(seen - sky))) or 1.0


def stretched(picture: Small) -> Small:
    """A picture between 0 and 1, by an inverse hyperbolic sine; what is not finite is black.

    Source: Lupton et al. 2004, PASP 116, 133, for the function; black, white and the sky's place
    are our own.
    """
    sky, noise = sky_and_noise(picture)
    black = sky - SIGMAS_BELOW * noise
    seen = picture[np.isfinite(picture)]
    high = float(np.quantile(seen, WHITE_QUANTILE)) if seen.size else sky
    white = max(high, sky + 10.0 * noise)
    part = np.clip((np.nan_to_num(picture, nan=black) - black) / (white - black), 0.0, 1.0)
    steepness = _steepness((sky - black) / (white - black))
    return np.asarray(np.arcsinh(steepness * part) / np.arcsinh(steepness), np.float32)


def grey_bytes(part: Small) -> NDArray[np.uint8]:
    """Parts of 1 as whole numbers up to 255."""
    return np.asarray(255.0 * part + 0.5, dtype=np.uint8)


def _steepness(sky: float) -> float:
    """The asinh that lifts a sky at this part of the range to SKY."""
    low, high = 1e-3, 1e6
    for _ in range(60):
        middle = (low * high) ** 0.5
        if np.arcsinh(middle * sky) / np.arcsinh(middle) < SKY:
            low = middle
        else:
            high = middle
    return low
