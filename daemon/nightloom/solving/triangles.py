"""Which triangles of stars in a frame are triangles of the catalogue, at a scale that is known.

The sides' ratios and the sense of turning tell triangles apart (Valdes, Campusano, Velasquez &
Stetson 1995, PASP 107, 1119); the known scale adds their size.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

NEIGHBOURS = 8
"""Each star makes triangles with its nearest: with two of three stars in both lists, one in six
of them is there on both sides.
"""

RATIO_TOLERANCE = 0.006
"""Difference of two ratios of sides: a projection's stretch some degrees from where it touches."""

SIDES_APART, SLIMMEST = 0.98, 0.15
"""Ratios of sides beyond which their order, or the triangle's sense, is a matter of noise."""

LIKE_IT = 6
"""Triangles of the catalogue that are tried for one of the frame, the likest first."""


@dataclass(frozen=True)
class Similarity:
    """Shifts, turns and scales of n pairings as complex numbers: w = factor · z + shift, (n,)."""

    factor: NDArray[np.complex128]
    shift: NDArray[np.complex128]

    def of(self, which: Ints) -> "Similarity":
        """Some of the pairings, by their indices (m,)."""
        return Similarity(self.factor[which], self.shift[which])


def pairings(frame: Array, catalogue: Array, scale_tolerance: float) -> Similarity:
    """What takes triangles of the frame's stars, (n, 2), onto like ones of the catalogue's, (m, 2).

    Both in the same units but for `scale_tolerance`, relative, and not mirrored.
    """
    ours, theirs = _triangles(frame), _triangles(catalogue)
    if not (len(ours) and len(theirs)):
        return Similarity(np.zeros(0, complex), np.zeros(0, complex))
    reach = np.array([RATIO_TOLERANCE, RATIO_TOLERANCE, np.log1p(scale_tolerance), 1.0])
    tree = KDTree(_features(theirs) / reach)
    _, like = tree.query(_features(ours) / reach, LIKE_IT, p=np.inf, distance_upper_bound=1.0)
    row, column = np.nonzero(like < len(theirs))
    return _similarity(ours[row], theirs[like[row, column]])


def _triangles(stars: Array) -> NDArray[np.complex128]:
    """Corners, (n, 3), of the triangles of neighbours among stars (m, 2): each after the other
    opposite of the longest, the middle and the shortest side.
    """
    if len(stars) < 3:
        return np.zeros((0, 3), complex)
    places = stars[:, 0] + 1j * stars[:, 1]
    _, near = KDTree(stars).query(stars, min(NEIGHBOURS + 1, len(stars)))
    pairs = np.array(list(combinations(range(1, near.shape[1]), 2)))
    first = np.broadcast_to(near[:, :1], (len(near), len(pairs)))
    every = np.stack([first, near[:, pairs[:, 0]], near[:, pairs[:, 1]]], axis=-1).reshape(-1, 3)
    # One number a triangle: rows are slow to compare.
    numbers = np.unique(np.sort(every, axis=1) @ (len(stars) ** np.array([2, 1, 0])))
    corners = places[np.stack(np.unravel_index(numbers, 3 * (len(stars),)), axis=-1)]
    order = np.argsort(-_opposite(corners), axis=1, kind="stable")
    corners = np.take_along_axis(corners, order, axis=1)
    longest, middle, shortest = _opposite(corners).T
    told = (middle < SIDES_APART * longest) & (shortest < SIDES_APART * middle)
    told &= shortest > SLIMMEST * longest
    return np.asarray(corners[told])


def _opposite(corners: NDArray[np.complex128]) -> Array:
    """Length of the side opposite of each corner, (n, 3)."""
    return np.abs(np.roll(corners, 1, axis=1) - np.roll(corners, -1, axis=1))


def _features(corners: NDArray[np.complex128]) -> Array:
    """What is alike in like triangles, (n, 4): ratios of sides, log of the longest, sense."""
    longest, middle, shortest = _opposite(corners).T
    a, b, c = corners.T
    sense = np.sign(((b - a).conj() * (c - a)).imag)
    return np.column_stack([middle / longest, shortest / longest, np.log(longest), 3.0 * sense])


def _similarity(ours: NDArray[np.complex128], theirs: NDArray[np.complex128]) -> Similarity:
    """Least squares over three corners, (n, 3) each."""
    z, w = ours.mean(axis=1), theirs.mean(axis=1)
    from_z, from_w = ours - z[:, None], theirs - w[:, None]
    factor = (from_z.conj() * from_w).sum(axis=1) / (np.abs(from_z) ** 2).sum(axis=1)
    return Similarity(factor, w - factor * z)
