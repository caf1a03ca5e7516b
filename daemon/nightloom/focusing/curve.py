"""A focus curve: half-flux radius against focuser position."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import hypot, isfinite, nan

import numpy as np
from numpy.typing import NDArray

from nightloom.focusing.fitting import Fit
from nightloom.focusing.shape import BLURRED_DISK, Floats, Shape

_LEAST_FITTED = 5  # points with enough stars: fewer leave less than two to judge the fit by
_EACH_SIDE = 2  # positions that must lie beyond the vertex on either side
_LEAST_GROWTH = 1.15  # of the radius from the vertex to the ends of the scan
_GROWTH_IN_SCATTER = 4.0  # the curve must rise by this many times what the points scatter
_LARGEST_SCATTER = 0.1  # relative: real curves scatter by a few percent
_STAR_SCATTER = 0.1  # relative, of the radii of single stars in one frame
_AIR_SCATTER = 0.03  # relative, of the air's blur between short exposures (common practice)
_AIR_DRIFT = 0.04  # relative, of the air's blur from the beginning of a scan to its end


class Refusal(Enum):
    """Why a curve gives no focus position."""

    TOO_FEW_POINTS = "too few points"
    TOO_FEW_STARS = "too few stars"
    FLAT = "flat"
    POOR_FIT = "poor fit"
    LOPSIDED = "the first points are alike: more backlash than is taken up?"
    VERTEX_OUTSIDE = "vertex outside the scan"
    COARSE = "too coarse"
    CLOUDED = "clouds in the middle"
    UNMOVED = "the focuser does not move"


@dataclass(frozen=True)
class Point:
    """One measured position: the stars' half-flux radius (NaN without stars) and their number.

    `light` is the stars' brightness relative to the other points of the scan: 1 for a clear sky.
    The parts are those of a frame divided into equally many rows and columns, row by row.
    """

    position_steps: int
    radius_px: float
    stars: int
    exposure_s: float = 0.0
    light: float = 1.0
    part_radii_px: tuple[float, ...] = ()
    part_stars: tuple[int, ...] = ()

    def counts(self, least_stars: int) -> bool:
        """Whether it has a radius, from enough stars."""
        return isfinite(self.radius_px) and self.radius_px > 0 and self.stars >= least_stars


@dataclass(frozen=True)
class Curve:
    """A fitted curve. Numbers are NaN when nothing could be fitted; `refusal` None means: use it.

    `vertex_error_steps` is one standard error. `scatter` is the relative scatter of the points
    about the curve.
    """

    vertex_steps: float
    vertex_error_steps: float
    radius_px: float
    slope_px_per_step: float
    scatter: float
    refusal: Refusal | None
    shape: Shape = BLURRED_DISK

    def radius_at(self, positions_steps: float | Floats) -> Floats:
        """Half-flux radius in px that the curve expects at positions, of their shape; NaN without a
        fit.
        """
        away = np.asarray(positions_steps, dtype=np.float64) - self.vertex_steps
        return self.radius_px * self.shape.growth(self.slope_px_per_step * away / self.radius_px)


def fit_points(points: Sequence[Point], least_stars: int) -> Curve:
    """Fit a curve to measured points; see `fit_curve`."""
    return fit_curve(
        [point.position_steps for point in points],
        [point.radius_px for point in points],
        [point.stars for point in points],
        least_stars=least_stars,
    )


def fit_curve(
    positions_steps: Sequence[float] | Floats,
    radii_px: Sequence[float] | Floats,
    star_counts: Sequence[int] | NDArray[np.int64],
    errors_px: Sequence[float] | Floats | None = None,
    least_stars: int = 1,
    shape: Shape = BLURRED_DISK,
) -> Curve:
    """Fit a curve robustly: soft-L1 loss, so that a bad point or two hardly move the vertex.

    All are (n,). Points whose radius is NaN or that have fewer than `least_stars` stars are left
    out. `errors_px` weigh the points against each other; without them, the error is taken to fall
    with the root of the star count, and the air to change between points. How large errors really
    are is read off the scatter. Raises ValueError when the lengths differ.
    """
    positions, radii = np.asarray(positions_steps, float), np.asarray(radii_px, float)
    stars, given = np.asarray(star_counts), radii if errors_px is None else np.asarray(errors_px)
    if not len(positions) == len(radii) == len(stars) == len(given):
        raise ValueError("positions, radii, star counts and errors must be equally many")
    by_stars = _STAR_SCATTER * radii / np.sqrt(np.maximum(stars, 1))
    errors = by_stars if errors_px is None else given
    measured = np.isfinite(radii) & (radii > 0) & np.isfinite(errors) & (errors > 0)
    used = measured & (stars >= least_stars)
    if len(np.unique(positions[used])) < _LEAST_FITTED:
        short_of_stars = len(np.unique(positions)) >= _LEAST_FITTED
        return _nothing(Refusal.TOO_FEW_STARS if short_of_stars else Refusal.TOO_FEW_POINTS)
    curve = _fitted(positions[used], radii[used], errors[used], shape, errors_px is None)
    return replace(curve, refusal=_refusal(curve, positions[used]))


def measured_both_sides(curve: Curve, points: Sequence[Point], least_stars: int) -> bool:
    """Whether a curve that was refused for its scatter was measured to rise on both sides: its
    vertex is then the best guess.
    """
    if curve.refusal is not Refusal.POOR_FIT:
        return False
    used = [point for point in points if point.counts(least_stars)]
    below = [one.radius_px for one in used if one.position_steps < curve.vertex_steps]
    above = [one.radius_px for one in used if one.position_steps > curve.vertex_steps]
    return all(
        len(side) >= _EACH_SIDE and max(side) >= _LEAST_GROWTH * curve.radius_px
        for side in (below, above)
    )


def _nothing(refusal: Refusal) -> Curve:
    return Curve(nan, nan, nan, nan, nan, refusal)


def _fitted(
    positions: Floats, radii: Floats, errors: Floats, shape: Shape, under_air: bool
) -> Curve:
    """A curve through positions (steps), radii and errors (px), all (n,) and none NaN."""
    middle, half = (positions.max() + positions.min()) / 2.0, np.ptp(positions) / 2.0
    air = _AIR_SCATTER if under_air else 0.0
    fit = Fit(shape, (positions - middle) / half, radii, errors, air)
    error = fit.vertex_error()
    if under_air and fit.slope > 0:
        # Where the air changes evenly along a scan, the lowest point moves by the change for each
        # step times (radius / slope)²; no scatter shows it.
        error = hypot(error, _AIR_DRIFT / 2.0 * (fit.radius / fit.slope) ** 2)
    return Curve(
        vertex_steps=float(middle + half * fit.vertex),
        vertex_error_steps=float(half * error),
        radius_px=fit.radius,
        slope_px_per_step=float(fit.slope / half),
        scatter=fit.relative_scatter(),
        refusal=None,
        shape=shape,
    )


def _refusal(curve: Curve, positions: Floats) -> Refusal | None:
    """Why a curve is not to be used, from the positions, (n,) in steps, that it was fitted to."""
    expected = curve.radius_at(positions)
    growth = float(expected.max() / expected.min())
    if growth < max(_LEAST_GROWTH, 1.0 + _GROWTH_IN_SCATTER * curve.scatter):
        # A curve that rises little because its points scatter widely is a poor one, not a flat one.
        return Refusal.POOR_FIT if curve.scatter > _LARGEST_SCATTER else Refusal.FLAT
    if curve.scatter > _LARGEST_SCATTER:
        return Refusal.POOR_FIT
    below, above = (positions < curve.vertex_steps).sum(), (positions > curve.vertex_steps).sum()
    if min(below, above) < _EACH_SIDE:
        return Refusal.VERTEX_OUTSIDE
    spacing = np.ptp(positions) / (len(positions) - 1)
    return Refusal.POOR_FIT if curve.vertex_error_steps > spacing else None
