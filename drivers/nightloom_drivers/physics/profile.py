"""The radial profile of a star image: how much of its light lies within a radius."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1

from nightloom_drivers.physics.psf import ring_transform

Array = NDArray[np.float64]

_SIGMAS = 5.0  # beyond so many of the Gaussian's transform nothing is left
_RADII = 96


@dataclass(frozen=True, eq=False)
class Profile:
    """A round image of unit flux at the radii `radius_px`, (m,), from 0 outwards.

    `within` is the flux inside of each, `level` the flux of a square pixel there.
    """

    radius_px: Array
    within: Array
    level: Array

    def flux_within(self, radius_px: float) -> float:
        """The part of the light inside a radius."""
        return float(np.interp(radius_px, self.radius_px, self.within))

    def radius_of(self, part: float) -> float:
        """The radius that holds a part of the light."""
        return float(np.interp(part, np.maximum.accumulate(self.within), self.radius_px))

    @property
    def ring_px2(self) -> Array:
        """The area that each radius stands for, (m,)."""
        edges = np.concatenate(([0.0], (self.radius_px[1:] + self.radius_px[:-1]) / 2))
        outer = np.append(edges[1:], self.radius_px[-1])
        return np.asarray(np.pi * (outer**2 - edges**2))


def profile(variance_px2: float, disk_radius_px: float, hole: float, reach_px: float) -> Profile:
    """Return a Gaussian of a variance in one axis, spread over a disk or ring, out to a radius.

    With the transform M(k) of an image of unit flux, r ∫ M(k) J₁(kr) dk of it lie within r, and
    ∫ k M(k) J₀(kr) dk / 2π is its level there (Hankel transform; Bracewell 2000, The Fourier
    Transform and Its Applications, chapter 13, from memory). A square pixel is a variance of 1/12.
    """
    highest = _SIGMAS / float(np.sqrt(variance_px2))
    count = 24 + 8 * int(highest * reach_px / 16)  # the nodes must follow the quickest waves
    nodes, weights = _gauss(count)
    k, step = highest * nodes, highest * weights
    transform = np.exp(-0.5 * variance_px2 * k**2)
    if disk_radius_px > 0:
        transform *= ring_transform(k * disk_radius_px, hole)
    radius = reach_px * np.linspace(0.0, 1.0, _RADII)
    phase = radius[:, None] * k
    within = radius * (j1(phase) @ (step * transform))
    level = j0(phase) @ (step * k * transform) / (2 * np.pi)
    return Profile(radius, within, level)


@lru_cache
def _gauss(count: int) -> tuple[Array, Array]:
    """Nodes and weights of Gauss and Legendre from 0 to 1, (count,) each."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (nodes + 1) / 2, weights / 2
