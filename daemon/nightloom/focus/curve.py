"""A focus curve: half-flux radius against focuser position.

The model is a hyperbola, radius² = radius₀² + (slope (position − vertex))². A defocused disk
blurred by the air deviates from it by up to 7 %, but by the same on both sides, so the vertex of a
balanced scan stays unbiased.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from itertools import combinations
from math import inf, nan

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Floats = NDArray[np.float64]

_PARAMETERS = 3
_LEAST_FITTED = 5  # points with enough stars: fewer leave less than two to judge the fit by
_EACH_SIDE = 2  # positions that must lie beyond the vertex on either side
_LEAST_GROWTH = 1.15  # of the radius from the vertex to the ends of the scan
_GROWTH_IN_SCATTER = 4.0  # the curve must rise by this many times what the points scatter
_LARGEST_SCATTER = 0.15  # relative: real curves scatter by a few percent
_LEAST_SCALE = 1e-9  # points without any error still need a scale
_LEAST_CURVATURE = 1e-6  # of radius², in px² over half the scan: below, there is no parabola
_LOSS_AT = 1.5  # residuals beyond 1.5 of the scatter count less and less


class Refusal(Enum):
    """Why a curve gives no focus position."""

    TOO_FEW_POINTS = "too few points"
    TOO_FEW_STARS = "too few stars"
    FLAT = "flat"
    POOR_FIT = "poor fit"
    VERTEX_OUTSIDE = "vertex outside the scan"


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

    def radius_at(self, positions_steps: float | Floats) -> Floats:
        """Half-flux radius that the curve expects at positions."""
        away = np.asarray(positions_steps) - self.vertex_steps
        return np.hypot(self.radius_px, self.slope_px_per_step * away)


def fit_curve(
    positions_steps: Sequence[float] | Floats,
    radii_px: Sequence[float] | Floats,
    star_counts: Sequence[int] | NDArray[np.int64],
    errors_px: Sequence[float] | Floats | None = None,
    least_stars: int = 1,
) -> Curve:
    """Fit a curve robustly: soft-L1 loss, so that a bad point or two hardly move the vertex.

    Points whose radius is NaN or that have fewer than `least_stars` stars are left out. `errors_px`
    weigh the points against each other (without them, the relative error is taken to fall with the
    root of the star count); how large errors really are is read off the scatter. Raises ValueError
    when the lengths differ.
    """
    positions, radii = np.asarray(positions_steps, float), np.asarray(radii_px, float)
    stars = np.asarray(star_counts)
    errors = radii / np.sqrt(np.maximum(stars, 1)) if errors_px is None else np.asarray(errors_px)
    if not len(positions) == len(radii) == len(stars) == len(errors):
        raise ValueError("positions, radii, star counts and errors must be equally many")
    measured = np.isfinite(radii) & (radii > 0) & np.isfinite(errors) & (errors > 0)
    used = measured & (stars >= least_stars)
    if len(np.unique(positions[used])) < _LEAST_FITTED:
        short_of_stars = len(np.unique(positions)) >= _LEAST_FITTED
        return _nothing(Refusal.TOO_FEW_STARS if short_of_stars else Refusal.TOO_FEW_POINTS)
    return _fitted(positions[used], radii[used], errors[used])


def _nothing(refusal: Refusal) -> Curve:
    return Curve(nan, nan, nan, nan, nan, refusal)


def _fitted(positions: Floats, radii: Floats, errors: Floats) -> Curve:
    middle, half = (positions.max() + positions.min()) / 2.0, np.ptp(positions) / 2.0
    fit = _Hyperbola((positions - middle) / half, radii, errors)
    vertex, radius, slope = fit.solution
    vertex_error = fit.vertex_error()
    curve = Curve(
        vertex_steps=float(middle + half * vertex),
        vertex_error_steps=float(half * vertex_error),
        radius_px=float(abs(radius)),
        slope_px_per_step=float(abs(slope) / half),
        scatter=fit.relative_scatter(),
        refusal=None,
    )
    return replace(curve, refusal=_refusal(curve, positions))


def _refusal(curve: Curve, positions: Floats) -> Refusal | None:
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


class _Hyperbola:
    """The fit itself, in positions from −1 to 1."""

    def __init__(self, at: Floats, radii: Floats, errors: Floats) -> None:
        self._at, self._radii, self._errors = at, radii, errors
        solution = min(self._starts(), key=self._absolute)
        for _ in range(4):  # the scatter and the fit depend on each other; they agree soon
            self._scale = max(_spread(self._residuals(solution)), _LEAST_SCALE)
            solution = self._solve(solution)
        self.solution = solution

    def vertex_error(self) -> float:
        """Standard error of the vertex: the covariance of an M-estimate, corrected for few points.

        Huber & Ronchetti, Robust Statistics (2009), section 7.6 (from memory; coverage is tested).
        """
        residuals = self._residuals(self.solution) / self._scale
        pull = residuals / np.sqrt(1.0 + (residuals / _LOSS_AT) ** 2)
        stiffness = (1.0 + (residuals / _LOSS_AT) ** 2) ** -1.5
        points, mean = len(residuals), stiffness.mean()
        correction = 1.0 + _PARAMETERS / points * stiffness.var() / mean**2
        variance = correction**2 * (pull**2).sum() / (points - _PARAMETERS) / mean**2
        jacobian = self._jacobian(self.solution)
        try:
            inverse = np.linalg.inv(jacobian.T @ jacobian)
        except np.linalg.LinAlgError:
            return inf
        return float(self._scale * np.sqrt(variance * max(inverse[0, 0], 0.0)))

    def relative_scatter(self) -> float:
        """Robust scatter of the points about the curve, relative to it."""
        expected = self._model(self.solution)
        return _spread((self._radii - expected) / expected)

    def _starts(self) -> Iterator[Floats]:
        """Parabolas through radius², each leaving two points out: some miss the bad ones."""
        design = np.stack([self._at**2, self._at, np.ones_like(self._at)], axis=1)
        weights = 1.0 / (self._radii * self._errors)
        for pair in combinations(range(len(self._at)), 2):
            kept = np.delete(np.arange(len(self._at)), pair)
            weighted = design[kept] * weights[kept, None]
            squares = self._radii[kept] ** 2 * weights[kept]
            second, first, _ = np.linalg.lstsq(weighted, squares)[0]
            second = max(second, _LEAST_CURVATURE)
            vertex = np.clip(-first / (2 * second), -3.0, 3.0)
            yield np.array([vertex, self._radii.min(), np.sqrt(second)])

    def _solve(self, start: Floats) -> Floats:
        found = least_squares(
            lambda parameters: self._residuals(parameters) / self._scale,
            start,
            jac=lambda parameters: self._jacobian(parameters) / self._scale,
            loss="soft_l1",
            f_scale=_LOSS_AT,
            max_nfev=200,
        )
        return np.asarray(found.x)

    def _model(self, parameters: Floats) -> Floats:
        vertex, radius, slope = parameters
        return np.asarray(np.maximum(np.hypot(radius, slope * (self._at - vertex)), 1e-9))

    def _residuals(self, parameters: Floats) -> Floats:
        return np.asarray((self._model(parameters) - self._radii) / self._errors)

    def _jacobian(self, parameters: Floats) -> Floats:
        vertex, radius, slope = parameters
        away, model = self._at - vertex, self._model(parameters)
        columns = (-(slope**2) * away, np.full_like(away, radius), slope * away**2)
        return np.stack([column / model / self._errors for column in columns], axis=1)

    def _absolute(self, parameters: Floats) -> float:
        return float(np.abs(self._residuals(parameters)).sum())


def _spread(residuals: Floats) -> float:
    """Standard deviation from the median absolute residual, for points three parameters fit."""
    points = len(residuals)
    # Three of the residuals are made small by the fit: the median of the others is what counts.
    rest = np.sort(np.abs(residuals))[_PARAMETERS - 1 :] if points > _PARAMETERS else residuals
    return float(1.4826 * np.median(rest))
