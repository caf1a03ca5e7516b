"""Which parts of a frame are looked at: all of it, or tiles spread evenly over it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ZONES = 3  # by rows and by columns
TILES_A_ZONE = 2  # each way: enough to follow a star size that grows towards the corners


@dataclass(frozen=True)
class Tile:
    """A rectangle of a frame, by its first row and column and those after its last."""

    top: int
    bottom: int
    left: int
    right: int

    def of(self, data: NDArray[np.generic]) -> NDArray[np.generic]:
        """Its pixels (rows, columns) of a whole frame, not copied."""
        return data[self.top : self.bottom, self.left : self.right]

    @property
    def pixels(self) -> int:
        """How many there are."""
        return (self.bottom - self.top) * (self.right - self.left)


def spread(shape: tuple[int, int], pixels_max: int | None) -> list[Tile]:
    """Tiles of at most about `pixels_max` pixels: one of the whole frame where that is enough.

    Otherwise each of the 6 × 6 cells of a frame of (rows, columns) has one in its middle.
    """
    rows, columns = shape
    if pixels_max is None or rows * columns <= pixels_max:
        return [Tile(0, rows, 0, columns)]
    share = (pixels_max / (rows * columns)) ** 0.5
    return [
        Tile(top, bottom, left, right)
        for top, bottom in _middles(rows, share)
        for left, right in _middles(columns, share)
    ]


def zone_of(
    shape: tuple[int, int], x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Number of the zone of each place: 0, 1, 2 in the lowest rows, then 3 … 8.

    `x` and `y` are (n,) places of a frame of (rows, columns), without NaN; returns (n,).
    """
    row, column = (
        np.clip(((place + 0.5) * ZONES / size).astype(np.intp), 0, ZONES - 1)
        for place, size in zip((y, x), shape, strict=True)
    )
    return np.asarray(ZONES * row + column)


def _middles(size: int, share: float) -> list[tuple[int, int]]:
    cells = ZONES * TILES_A_ZONE
    width = max(1, int(share * size / cells))  # rounded up, neighbours would share a column
    starts = [round((cell + 0.5) * size / cells - width / 2) for cell in range(cells)]
    return [(start, start + width) for start in starts]
