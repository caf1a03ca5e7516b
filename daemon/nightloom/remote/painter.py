"""Paints one frame small, as a process of its own: its path comes in, a JPEG goes out."""

import io
import os
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightloom.small_picture import grey_bytes, small, stretched
from nightloom_drivers.leash import end_with

SIDE_PX_MAX = 640
QUALITY = 85


def painted(data: NDArray[np.integer] | NDArray[np.floating]) -> bytes:
    """A JPEG of (rows, columns) of a frame: made small by means, stretched by asinh."""
    from PIL import Image

    out = io.BytesIO()
    image = Image.fromarray(grey_bytes(stretched(small(data, SIDE_PX_MAX))))
    image.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


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
