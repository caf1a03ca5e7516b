"""Paints one frame small, as a process of its own: its path comes in, a JPEG goes out."""

import io
import os
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.leash import end_with

SIDE_PX_MAX = 640
SKY = 0.18
"""How bright the sky becomes, of 1: dark, and faint light shows against it."""

SIGMAS_BELOW = 2.0
"""Black lies so far below the sky."""

WHITE_QUANTILE = 0.999
QUALITY = 85


def painted(data: NDArray[np.integer] | NDArray[np.floating]) -> bytes:
    """A JPEG of (rows, columns) of a frame: made small by means, stretched by asinh."""
    from PIL import Image

    small = _small(data)
    sky = float(np.median(small))
    noise = 1.4826 * float(np.median(np.abs(small - sky))) or 1.0
    black = sky - SIGMAS_BELOW * noise
    white = max(float(np.quantile(small, WHITE_QUANTILE)), sky + 10.0 * noise)
    part = np.clip((small - black) / (white - black), 0.0, 1.0)
    steepness = _steepness((sky - black) / (white - black))
    grey = np.arcsinh(steepness * part) / np.arcsinh(steepness)
    out = io.BytesIO()
    image = Image.fromarray(np.asarray(255.0 * grey + 0.5, dtype=np.uint8))
    image.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def _small(data: NDArray[np.integer] | NDArray[np.floating]) -> NDArray[np.float32]:
    """The means of squares, so many that no side is longer than SIDE_PX_MAX."""
    step = -(-max(data.shape) // SIDE_PX_MAX)
    rows, columns = (size // step for size in data.shape)
    small = np.empty((rows, columns), np.float32)
    for row in range(rows):
        strip = np.asarray(data[row * step : (row + 1) * step, : columns * step], np.float32)
        small[row] = strip.reshape(step, columns, step).mean(axis=(0, 2))
    return small


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


def main(file: Path) -> None:
    """Paint a frame's file. Raises OSError."""
    from astropy.io import fits

    with fits.open(file, memmap=False) as opened:
        data = opened[0].data
    sys.stdout.buffer.write(painted(data))


if __name__ == "__main__":
    end_with(int(sys.argv[1]))
    os.nice(19)
    main(Path(sys.argv[2]))
