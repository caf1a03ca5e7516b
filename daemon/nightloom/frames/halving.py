"""Frames of half the size, for stars too wide to be seen pixel by pixel."""

import numpy as np
from numpy.typing import NDArray

HALVED_SIDE_PX_MIN = 24  # a frame smaller than this has no room for a star and its background


def halved(
    data: NDArray[np.uint16] | NDArray[np.float32],
) -> NDArray[np.uint16] | NDArray[np.float32]:
    """The mean of the middle two of each square of four pixels; an odd last row or column is lost.

    A mean of all four would hand a hot pixel on as a small star.
    """
    rows, columns = (size // 2 * 2 for size in data.shape)
    first, second, third, fourth = (
        data[row:rows:2, column:columns:2] for row in (0, 1) for column in (0, 1)
    )
    low = np.maximum(np.minimum(first, second), np.minimum(third, fourth))
    high = np.minimum(np.maximum(first, second), np.maximum(third, fourth))
    return np.asarray((low.astype(np.float32) + high) * np.float32(0.5))
