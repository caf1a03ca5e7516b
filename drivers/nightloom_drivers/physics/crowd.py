"""Stars beside stars: which are seen as one, and what light of others does to each."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from nightloom_drivers.physics.profile import Array


@dataclass(frozen=True, eq=False)
class Stars:
    """Places in px and light in ADU, (n,) each."""

    x: Array
    y: Array
    flux_adu: Array

    def __len__(self) -> int:
        return len(self.x)

    def of(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> "Stars":
        """Some of them, or in another order."""
        return Stars(self.x[which], self.y[which], self.flux_adu[which])

    def and_(self, others: "Stars") -> "Stars":
        """These, and then others."""
        return Stars(
            np.append(self.x, others.x),
            np.append(self.y, others.y),
            np.append(self.flux_adu, others.flux_adu),
        )

    @cached_property
    def tree(self) -> KDTree:
        """Their places, to be looked up."""
        return KDTree(np.column_stack([self.x, self.y]))


@dataclass(frozen=True, eq=False)
class Beside:
    """What others add to each of some stars, (n,): light within the aperture and within the
    half-flux radius, beyond what is taken for sky, and how far they draw its place.
    """

    light_adu: Array
    inside_adu: Array
    x_px: Array
    y_px: Array


def blended(stars: Stars, within_px: float) -> Stars:
    """Stars, brightest first, with those that are too near a brighter one joined to it."""
    if len(stars) < 2:
        return stars
    pairs = stars.tree.query_pairs(within_px, output_type="ndarray")
    if not len(pairs):
        return stars
    bright, faint = pairs.min(axis=1), pairs.max(axis=1)
    order = np.lexsort((bright, faint))
    bright, faint = bright[order], faint[order]
    first = np.unique(faint, return_index=True)[1]
    into = np.arange(len(stars))
    for one, other in zip(bright[first].tolist(), faint[first].tolist(), strict=True):
        into[other] = into[one]  # of the brighter, which comes before, the place is known
    flux_adu: Array = np.bincount(into, stars.flux_adu, len(stars)).astype(np.float64)
    alone = np.flatnonzero(flux_adu > 0)
    x, y = (
        np.bincount(into, stars.flux_adu * place, len(stars))[alone] / flux_adu[alone]
        for place in (stars.x, stars.y)
    )
    return Stars(x, y, flux_adu[alone])


def beside(
    found: Stars,
    others: Stars,
    edge_px: Array,
    radius_px: float,
    aperture_px: float,
    area_px: int,
) -> Beside:
    """What stars, of which the first are those `found`, (n,), do to each of these, in a frame of
    so many pixels.

    The mean light of those that are not found is taken for sky. Places are drawn by what lies
    within `edge_px`, (n,). The share of a star's light in a circle falls from 1 to 0 across its
    rim, over twice the half-flux radius.
    """
    count = len(found)
    if not count:
        return Beside(*np.zeros((4, 0)))
    reach_px = aperture_px + radius_px
    pairs = found.tree.sparse_distance_matrix(others.tree, reach_px, output_type="ndarray")
    pairs = pairs[pairs["i"] != pairs["j"]]
    mine, theirs, away_px = pairs["i"], pairs["j"], pairs["v"]
    light = others.flux_adu[theirs]
    mean_adu = others.flux_adu[count:].sum() / area_px
    total, core = (
        np.bincount(
            mine, light * np.clip((rim_px - away_px) / (2 * radius_px) + 0.5, 0.0, 1.0), count
        )
        - mean_adu * np.pi * rim_px**2
        for rim_px in (aperture_px, radius_px)
    )
    pull = light * (away_px < edge_px[mine]) / found.flux_adu[mine]
    x, y = (
        np.bincount(mine, pull * (far[theirs] - near[mine]), count)
        for near, far in ((found.x, others.x), (found.y, others.y))
    )
    return Beside(total, core, np.asarray(x, np.float64), np.asarray(y, np.float64))
