"""Frames of one target and filter combined into one picture.

Each frame is laid onto the grid of a reference frame by their world coordinates, its sky is taken
off, and it is scaled to what a second of clear sky would have given. In each pixel values further
than CLIP_SIGMAS from the median, by the scatter that the median absolute deviation gives, are left
out, CLIPS times over; the rest is averaged with inverse-variance weights.

Sources: for weights by inverse variance, Bevington & Robinson, Data Reduction and Error Analysis
for the Physical Sciences (3rd edition, 2003), section 4.1; for clipping about the median, the
documentation of astropy.stats.sigma_clip, which a test compares with.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray
from scipy.ndimage import affine_transform

from nightloom.small_picture import Small, sky_and_noise

Floats = NDArray[np.float64]

CLIP_SIGMAS, CLIPS = 3.0, 3

CHUNK_ROWS = 32
"""Rows that are clipped at a time: what clipping needs beside the stack stays small."""

GRID = 5
"""Places along each side where two frames' coordinates are compared."""


@dataclass(frozen=True)
class Affine:
    """From (row, column) of the reference to those of a frame: `matrix` times it plus `offset`."""

    matrix: Floats
    offset: Floats


@dataclass(frozen=True, eq=False)
class Layer:
    """A frame on the reference's grid: light in ADU for each second of clear sky, without the sky.

    NaN outside the frame.
    """

    picture: Small
    noise: float
    """Standard deviation of its sky."""


def between(reference: WCS, frame: WCS, shape: tuple[int, int], step: int) -> Affine:
    """How binned pixels of a reference lie in a binned frame, both by squares of `step` pixels.

    `shape` is that of the binned reference. Within a field of view two tangential projections
    with nearby centres differ by less than a hundredth of a pixel from what an affine map says; it
    is fitted to GRID × GRID places by least squares.
    """
    places = np.stack(
        np.meshgrid(*(np.linspace(0, size - 1, GRID) for size in shape), indexing="ij"), axis=-1
    ).reshape(-1, 2)
    whole = (places[:, ::-1] + 0.5) * step - 0.5
    sky = reference.wcs_pix2world(whole, 0)
    there = (frame.wcs_world2pix(sky, 0)[:, ::-1] + 0.5) / step - 0.5
    design = np.hstack([places, np.ones((len(places), 1))])
    solved = np.linalg.lstsq(design, there, rcond=None)[0]
    return Affine(solved[:2].T, solved[2])


def layer(picture: Small, affine: Affine, shape: tuple[int, int], clear_s: float) -> Layer:
    """A binned frame as a layer; `clear_s` is what its exposure was worth in seconds of clear sky.

    Its noise is that of neighbours' differences, which neither nebulae nor gradients make larger.
    """
    sky, _ = sky_and_noise(picture)
    differences = np.diff(picture, axis=1) / np.sqrt(2.0)
    noise = sky_and_noise(np.asarray(differences, np.float32))[1] / clear_s
    light = np.asarray((picture - sky) / clear_s, np.float32)
    laid = affine_transform(
        light, affine.matrix, affine.offset, output_shape=shape, order=1, cval=np.nan
    )
    return Layer(np.asarray(laid, np.float32), noise)


class Mean:
    """The clipped and weighted mean of layers of one shape, which come in several batches.

    Each batch is clipped by itself, so it should be of some twenty layers, and from all over the
    night.
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        self._light, self._weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)

    def add(self, layers: Sequence[Layer]) -> None:
        """Take in a batch."""
        weights = np.array([layer.noise**-2.0 for layer in layers], np.float32)
        for row in range(0, len(self._light), CHUNK_ROWS):
            part = np.s_[row : row + CHUNK_ROWS]
            stack = _clipped(np.stack([layer.picture[part] for layer in layers]))
            there = ~np.isnan(stack)
            each = np.where(there, weights[:, None, None], 0.0)
            self._weight[part] += each.sum(axis=0)
            self._light[part] += (np.where(there, stack, 0.0) * each).sum(axis=0)

    def picture(self) -> Small:
        """What came of it; NaN where no layer reaches."""
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = self._light / self._weight
        return np.asarray(np.where(self._weight > 0.0, mean, np.nan), np.float32)


def batches(count: int, most: int) -> list[slice]:
    """So many things in order, as slices of at most `most`, each from first to last by turns."""
    number = -(-count // most)
    return [slice(first, None, number) for first in range(number)]


def _clipped(stack: Small) -> Small:
    """A stack (n, rows, columns) with NaN for what lies too far from each pixel's median.

    Centre and scatter are those of what the rounds before left.
    """
    left = stack
    for _ in range(CLIPS):
        middle = _median(left)
        reach = CLIP_SIGMAS * 1.482602218505602 * _median(np.abs(left - middle))
        near = np.abs(stack - middle) <= reach
        smaller = np.where(near, left, np.nan)
        if np.array_equal(smaller, left, equal_nan=True):
            break
        left = smaller
    return np.where(near, stack, np.nan)


def _median(stack: Small) -> Small:
    """The median along the first axis of what is no NaN; NaN where all is."""
    ordered = np.sort(stack, axis=0)  # NaN comes last
    count = np.sum(~np.isnan(stack), axis=0)
    low = np.maximum(count - 1, 0) // 2
    high = np.minimum(count // 2, len(stack) - 1)
    pair = [np.take_along_axis(ordered, one[None], axis=0)[0] for one in (low, high)]
    return np.asarray((pair[0] + pair[1]) / 2.0, np.float32)


def gradient_of(picture: Small, tiles: int = 8) -> float:
    """How far the sky differs across a frame, in parts of its level.

    A plane is fitted to the medians of `tiles` × `tiles` tiles, which stars hardly move; its
    steepest rise across the frame's length counts. NaN where the level is nought.
    """
    rows, columns = (size // tiles for size in picture.shape)
    whole = picture[: rows * tiles, : columns * tiles]
    parts = whole.reshape(tiles, rows, tiles, columns).transpose(0, 2, 1, 3)
    medians = np.median(parts.reshape(tiles * tiles, -1), axis=1)
    at = (np.arange(tiles) + 0.5) / tiles - 0.5
    y, x = (one.ravel() for one in np.meshgrid(at, at, indexing="ij"))
    design = np.stack([x, y, np.ones_like(x)], axis=1)
    across, along, level = np.linalg.lstsq(design, medians, rcond=None)[0]
    return float(np.hypot(across, along) / level) if level else float("nan")
