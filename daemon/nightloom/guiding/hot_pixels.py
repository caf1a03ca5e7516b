"""Hot pixels of a guide camera without a shutter: they stay where they are while the stars move.

A small guide telescope can put more than half of a star's light into one pixel, so that sharpness
alone does not tell the two apart; several pointings do.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from nightloom.frames.image import Pixels

# A pixel so many times the noise above the middle of its neighbours stands out.
STANDS_OUT_SIGMA = 5.0
# Of pointings at which it stood out, less those at which it did not. Chance puts a star on one of
# a hundred pixels at most, so that four of them in a row do not happen in a frame's 10^5.
SURE, SURE_MAX = 4, 8
# Stars that moved by less may still shine into the same pixels.
APART_PX = 3.0
NEIGHBOURS = np.array([(x, y) for x in (-1, 0, 1) for y in (-1, 0, 1) if x or y])


@dataclass(frozen=True, eq=False)
class HotPixels:
    """What is known of each pixel; ``score`` has the shape (rows, columns) of the frames."""

    score: NDArray[np.int8]

    @classmethod
    def known(cls, shape: tuple[int, ...], places: Iterable[tuple[int, int]] = ()) -> "HotPixels":
        """Those at ``places`` (column, row), to be confirmed; places beyond the edge are no one's.

        One that does not stand out at the next pointing is believed no longer.
        """
        score = np.zeros(shape, dtype=np.int8)
        for x, y in places:
            if 0 <= y < shape[0] and 0 <= x < shape[1]:
                score[y, x] = SURE
        return cls(score)

    def learned(self, image: Pixels) -> "HotPixels":
        """With one more frame, in which the stars are `APART_PX` from where they were in the last
        one that was learned from. ``image`` has the shape of ``score`` and no NaN.
        """
        pixels = np.asarray(image, dtype=np.float32)
        beyond = pixels - median_filter(pixels, 3)
        # Quartiles of a normal distribution are 1.349 σ apart; whole numbers are noise too.
        low, high = np.percentile(beyond, (25, 75))
        noise = max(float(high - low) / 1.349, 12**-0.5)
        step = np.where(beyond > STANDS_OUT_SIGMA * noise, 1, -1)
        return HotPixels(np.clip(self.score + step, 0, SURE_MAX).astype(np.int8))

    @property
    def places(self) -> list[tuple[int, int]]:
        """Columns and rows of the hot ones."""
        return [(int(x), int(y)) for y, x in np.argwhere(self.score >= SURE)]

    def mended(self, image: Pixels) -> Pixels:
        """The frame (rows, columns) with each hot pixel at the mean of its sound neighbours.

        One of another shape, or without hot pixels, is given back as it is.
        """
        hot, around, weights = self._mending
        if not len(hot) or image.shape != self.score.shape:
            return image
        mended = image.copy()
        mended[hot[:, 0], hot[:, 1]] = (image[around[..., 0], around[..., 1]] * weights).sum(axis=1)
        return mended

    @cached_property
    def _mending(self) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
        """Hot pixels (n, 2), their neighbours (n, 8, 2), and what each of these counts (n, 8)."""
        hot = np.argwhere(self.score >= SURE)
        around = np.clip(hot[:, None] + NEIGHBOURS, 0, np.array(self.score.shape) - 1)
        sound = self.score[around[..., 0], around[..., 1]] < SURE
        sound |= ~sound.any(axis=1, keepdims=True)  # in the midst of hot ones: all of them
        return hot, around, sound / sound.sum(axis=1, keepdims=True)
