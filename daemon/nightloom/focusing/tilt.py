"""How best focus lies across a frame: where the camera is tilted, one side has it farther out.

Star size at one position does not show a tilt: where the middle is in focus, both sides are as far
out of it. Hence a curve of every part of the frame, and a plane through their vertices.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isqrt, nan

import numpy as np

from nightloom.focusing.curve import Point, fit_curve
from nightloom.focusing.shape import Floats

_LEAST_STARS = 3  # in a part of a frame: their median is off by 6 %
_LEAST_PARTS = 6  # of nine, for a plane of three numbers whose misfit is to be known


@dataclass(frozen=True)
class Tilt:
    """Best focus at the last columns, or rows, less that at the first, in steps outward.

    `error_steps` is one standard error of either; numbers are NaN when too few parts of the frame
    had a curve.
    """

    columns_steps: float
    rows_steps: float
    error_steps: float


def measure_tilt(points: Sequence[Point]) -> Tilt:
    """The tilt that an accepted curve shows, by least squares; its points have equally many parts.

    Points without stars, or without parts, are left out.
    """
    used = [point for point in points if point.counts(1) and point.part_stars]
    if not used:
        return Tilt(nan, nan, nan)
    side = isqrt(len(used[0].part_stars))
    vertices = np.array([_vertex_steps(used, part) for part in range(side * side)])
    middles = (np.arange(side) + 0.5) / side - 0.5  # of the frame's side, from its middle
    y, x = (grid.ravel() for grid in np.meshgrid(middles, middles, indexing="ij"))
    return _plane(x, y, vertices)


def _vertex_steps(points: Sequence[Point], part: int) -> float:
    curve = fit_curve(
        [point.position_steps for point in points],
        [point.part_radii_px[part] for point in points],
        [point.part_stars[part] for point in points],
        least_stars=_LEAST_STARS,
    )
    return curve.vertex_steps if curve.refusal is None else nan


def _plane(x: Floats, y: Floats, vertices: Floats) -> Tilt:
    """A plane through vertices in steps at x and y in parts of the frame's side, all (n,); a part
    whose vertex is NaN is left out, and the tilt is NaN where too few are left.
    """
    known = np.isfinite(vertices)
    if known.sum() < _LEAST_PARTS:
        return Tilt(nan, nan, nan)
    terms = np.stack([np.ones_like(x), x, y], axis=1)[known]
    plane = np.linalg.lstsq(terms, vertices[known])[0]
    misfit = vertices[known] - terms @ plane
    variance = float(misfit @ misfit) / (len(misfit) - 3)
    errors = np.sqrt(variance * np.diag(np.linalg.inv(terms.T @ terms)))
    return Tilt(float(plane[1]), float(plane[2]), float(errors[1:].max()))
