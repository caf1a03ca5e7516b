"""The robust fit of a focus curve: vertex, focused radius and far slope, with an honest error.

Two things blur the points: how well stars are measured, and the air, which changes from frame to
frame. The air moves the focused radius and leaves the flanks alone, so points on the flanks, which
tell where the vertex is, are trusted more.
"""

from collections.abc import Iterator
from itertools import combinations
from math import inf

import numpy as np
from scipy.optimize import least_squares
from scipy.special import stdtrit

from nightloom.focusing.shape import Floats, Shape

PARAMETERS = 3
_LEAST_SCALE = 1e-9  # points without any error still need a scale
_LEAST_CURVATURE = 1e-6  # of radius², in px² over half the scan: below, there is no parabola
_ONE_SIGMA = 0.8413  # of a normal distribution lies below one standard deviation
_LOSS_AT = 1.5  # residuals beyond 1.5 of the scatter count less and less


class Fit:
    """Soft-L1 fit of a shape to radii at positions from −1 to 1.

    Positions, radii and errors (px) are (n,), none NaN; what is fitted, (3,), is the vertex, the
    focused radius and the slope. `errors` weigh the points, `air` is the relative change of the
    focused radius from point to point; how large both really are is read off the scatter. `vertex`
    and `slope` are in those positions. Private methods take parameters (3,) and give one number a
    point, (n,), where they say nothing else.
    """

    def __init__(
        self, shape: Shape, at: Floats, radii: Floats, errors: Floats, air: float = 0.0
    ) -> None:
        self._shape, self._at, self._radii, self._errors = shape, at, radii, errors
        solution = min(self._starts(), key=self._absolute)
        for _ in range(4):  # the scatter, the weights and the fit depend on each other
            self._errors = np.hypot(errors, air * self._by_radius(solution) * abs(solution[1]))
            self._scale = max(_spread(self._residuals(solution)), _LEAST_SCALE)
            solution = self._solve(solution)
        self._solution = solution
        self.vertex = float(solution[0])
        self.radius, self.slope = np.abs(solution[1:]).tolist()

    def vertex_error(self) -> float:
        """Standard error of the vertex: the covariance of an M-estimate, corrected for few points.

        Huber & Ronchetti, Robust Statistics (2009), chapter 7; tests hold its coverage.
        Widened as Student's t asks for, so that it holds the vertex as often as a known error does.
        """
        residuals = self._residuals(self._solution) / self._scale
        pull = residuals / np.sqrt(1.0 + (residuals / _LOSS_AT) ** 2)
        stiffness = (1.0 + (residuals / _LOSS_AT) ** 2) ** -1.5
        points, mean = len(residuals), stiffness.mean()
        correction = 1.0 + PARAMETERS / points * stiffness.var() / mean**2
        variance = correction**2 * (pull**2).sum() / (points - PARAMETERS) / mean**2
        jacobian = self._jacobian(self._solution)
        try:
            inverse = np.linalg.inv(jacobian.T @ jacobian)
        except np.linalg.LinAlgError:
            return inf
        widened = float(stdtrit(points - PARAMETERS, _ONE_SIGMA))
        return float(widened * self._scale * np.sqrt(variance * max(inverse[0, 0], 0.0)))

    def relative_scatter(self) -> float:
        """Robust scatter of the points about the curve, relative to it."""
        expected = self._model(self._solution)
        return _spread((self._radii - expected) / expected)

    def _starts(self) -> Iterator[Floats]:
        """Parabolas through radius², (3,) each, leaving two points out: some miss the bad ones."""
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
        """Parameters (3,) of the least loss, from those of a start (3,)."""
        found = least_squares(
            lambda parameters: self._residuals(parameters) / self._scale,
            start,
            jac=lambda parameters: self._jacobian(parameters) / self._scale,
            loss="soft_l1",
            f_scale=_LOSS_AT,
            max_nfev=200,
        )
        return np.asarray(found.x)

    def _reach(self, parameters: Floats) -> tuple[float, Floats]:
        """The focused radius, and how far each point is from the vertex in the shape's units."""
        vertex, radius, slope = parameters
        focused = max(abs(radius), 1e-6)
        return focused, slope * (self._at - vertex) / focused

    def _model(self, parameters: Floats) -> Floats:
        """Radii in px, (n,), that parameters (3,) expect."""
        focused, t = self._reach(parameters)
        return focused * self._shape.growth(t)

    def _residuals(self, parameters: Floats) -> Floats:
        """Expected less measured radii in units of their errors, (n,)."""
        return np.asarray((self._model(parameters) - self._radii) / self._errors)

    def _jacobian(self, parameters: Floats) -> Floats:
        """Derivatives of the residuals by each parameter, (n, 3)."""
        vertex, radius, slope = parameters
        _, t = self._reach(parameters)
        rise, by_radius = self._shape.rise(t), np.copysign(self._by_radius(parameters), radius)
        columns = (-slope * rise, by_radius, rise * (self._at - vertex))
        return np.stack([column / self._errors for column in columns], axis=1)

    def _by_radius(self, parameters: Floats) -> Floats:
        """How much of a change of the focused radius is seen at each point, (n,)."""
        _, t = self._reach(parameters)
        return np.asarray(self._shape.growth(t) - self._shape.rise(t) * t)

    def _absolute(self, parameters: Floats) -> float:
        """The sum of absolute residuals of parameters (3,)."""
        return float(np.abs(self._residuals(parameters)).sum())


def _spread(residuals: Floats) -> float:
    """Standard deviation from the median absolute residual, of n points, (n,), that three
    parameters fit.
    """
    points = len(residuals)
    # Three of the residuals are made small by the fit: the median of the others is what counts.
    rest = np.sort(np.abs(residuals))[PARAMETERS - 1 :] if points > PARAMETERS else residuals
    return float(1.4826 * np.median(rest))
