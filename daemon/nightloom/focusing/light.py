"""Whether clouds passed while a focus curve was taken: its frames' stars against each other."""

from collections.abc import Sequence
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from nightloom.focusing.curve import Point

Floats = NDArray[np.float64]

SAME_STAR_PX = 8.0  # guiding holds better; a dithered or wandering mount does not
_LEAST_PAIRS = 3
_CLEAR_QUANTILE = 0.75  # a quarter of the points is enough to say what a clear sky shows
_DIMMED = 0.6  # of that: less is a cloud, not the loss of light out of a wider star's aperture
_IN_STEP = 0.9
_COMPARABLE = 4.0  # times the smallest radius: beyond it the aperture loses too much
_PLENTY = 3  # times the stars that a point needs


def light_ratio(
    places_px: Floats, light: Floats, reference_px: Floats, reference_light: Floats
) -> float:
    """Median brightness of the stars that two frames share, NaN when fewer than three.

    Places have shape (stars, 2); light is in any unit for one second.
    """
    if min(len(light), len(reference_light)) < _LEAST_PAIRS:
        return nan
    away_px, partner = cKDTree(reference_px).query(places_px)
    near = (away_px < SAME_STAR_PX) & (light > 0) & (reference_light[partner] > 0)
    if near.sum() < _LEAST_PAIRS:
        return nan
    return float(np.median(light[near] / reference_light[partner[near]]))


def dimmed(points: Sequence[Point], least_stars: int) -> list[int]:
    """Numbers of the points that a cloud spoilt.

    They are dimmer than the scan's clear points, or without stars between points that have some or
    beside one that has plenty: stars do not vanish from one step to the next by their size.
    """
    counting = [n for n, point in enumerate(points) if point.counts(least_stars)]
    if not counting:
        return []
    smallest_px = min(points[n].radius_px for n in counting)
    known = [
        (n, point.light)
        for n, point in enumerate(points)
        if isfinite(point.light) and point.radius_px < _COMPARABLE * smallest_px
    ]
    if _grows_with_radius([points[n].radius_px for n, _ in known], [light for _, light in known]):
        return []
    clear = float(np.quantile([light for _, light in known], _CLEAR_QUANTILE)) if known else nan
    dim = {n for n, light in known if light < _DIMMED * clear}
    plenty = _PLENTY * least_stars
    first = 0 if points[counting[0]].stars >= plenty else counting[0]
    last = len(points) - 1 if points[counting[-1]].stars >= plenty else counting[-1]
    gone = {n for n in range(first, last + 1) if n not in counting}
    return sorted(dim | gone)


def _grows_with_radius(radii_px: Sequence[float], light: Sequence[float]) -> bool:
    """Whether wider stars are brighter all along, which no cloud brings about.

    Spearman's rank correlation.
    """
    if len(light) < _LEAST_PAIRS + 1 or np.ptp(light) == 0 or np.ptp(radii_px) == 0:
        return False
    ranks = np.argsort(np.argsort([radii_px, light], axis=1), axis=1)
    correlation: Floats = np.asarray(np.corrcoef(ranks))
    return float(correlation[0, 1]) > _IN_STEP
