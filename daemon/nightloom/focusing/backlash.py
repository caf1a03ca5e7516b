"""Whether the focus is where its curve put it, and the backlash where it is not.

A curve is measured in one direction, so that its positions agree among themselves however much the
gears play. The way back to its vertex turns: with more play than is taken up the drawtube stays
behind, and stars are larger than the curve's smallest.

The play is then measured on the way back. The curve, taken the usual way, gives star size for each
place of the drawtube; against the usual way the drawtube stands still until the play is used up,
and lags by the play from then on. The one lag that explains the sizes, from the far flank over the
minimum to the near one, is the backlash.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from nightloom.focusing.curve import Curve, Point
from nightloom.focusing.shape import Floats
from nightloom.focusing.travel import Travel

_AIR = 0.09  # three times what the air's blur changes between short exposures (common practice)
_SIZE_ERROR = 0.05  # relative, of one frame's stars: the air, and the curve's own error
_LEAST_MOVED = 3  # frames behind which the drawtube had begun to move
_FRAMES_MOST = 24
_STEPS_APART = 2  # of the curve's own: four frames cross a scan of nine
_STRIDE = 0.25  # of the way gone, where no star has changed: that much too far is still measured
_STILL = 0.15  # relative change of stars below which the drawtube may not have moved
FARTHEST = 120
"""Steps of a curve's scan, some sixty critical focus zones: more play than that is not sought."""


@dataclass(frozen=True)
class Backlash:
    """Lost motion on a turn, with one standard error."""

    steps: float
    error_steps: float


def expected_radius_px(curve: Curve, zone_steps: float) -> float:
    """The largest stars that a frame at a curve's vertex may show: at the edge of the zone, and in
    worse air.
    """
    edge_px = float(curve.radius_at(curve.vertex_steps + zone_steps / 2.0))
    return edge_px * (1.0 + _AIR)


def misses(curve: Curve, zone_steps: float, point: Point, least_stars: int) -> bool:
    """Whether a confirming frame contradicts its curve; one with too few stars says nothing."""
    return point.counts(least_stars) and point.radius_px > expected_radius_px(curve, zone_steps)


@dataclass(frozen=True)
class WayBack:
    """The way back from the end of a curve's scan, in even steps."""

    curve: Curve
    top_steps: int
    """Where the way back begins, come to from far away in the usual direction."""
    step_steps: int
    """Of the curve's scan."""
    travel: Travel

    @property
    def apart_steps(self) -> int:
        """Between two frames."""
        return _STEPS_APART * self.step_steps

    @property
    def run_up_steps(self) -> int:
        """Where the last move to the top begins: farther away than any backlash that is sought."""
        return self.travel.within(self.top_steps - self.travel.sign * FARTHEST * self.step_steps)

    def next_steps(self, points: Sequence[Point]) -> int | None:
        """The next position, after the points so far; None when they suffice, or nothing will."""
        if points and self._crossed(points):
            return None
        gone = abs(self.top_steps - points[-1].position_steps) if points else 0
        stride = self.apart_steps
        if self._still(points):
            stride = max(stride, round(_STRIDE * gone))
        position = self.top_steps - self.travel.sign * (gone + stride)
        most = abs(self.top_steps - self.run_up_steps)
        if len(points) >= _FRAMES_MOST or gone + stride > most:
            return None
        return position

    def backlash(self, points: Sequence[Point]) -> Backlash | None:
        """What the points say; None where they do not cross the minimum."""
        return self._fitted(points) if points and self._crossed(points) else None

    def _still(self, points: Sequence[Point]) -> bool:
        """Whether stars are all as large as at the top, as far as they were seen."""
        top_px = float(self.curve.radius_at(self.top_steps))
        return all(
            abs(point.radius_px / top_px - 1.0) < _STILL for point in points if point.counts(1)
        )

    def _crossed(self, points: Sequence[Point]) -> bool:
        """Whether the last frame is well beyond the minimum, and enough saw the drawtube move."""
        lag = self._fitted(points).steps
        drawtube = self._drawtube(np.array([point.position_steps for point in points], float), lag)
        moved = np.abs(self.top_steps - drawtube) > self.step_steps / 2.0
        beyond = self.travel.sign * (self.curve.vertex_steps - drawtube[-1])
        return bool(moved.sum() >= _LEAST_MOVED and beyond >= self.step_steps)

    def _drawtube(self, positions: Floats, lag_steps: float | Floats) -> Floats:
        """Where the drawtube is behind n positions of the way back, (n,), with a lag; (lags, n)
        with several, (lags, 1).
        """
        sign = self.travel.sign
        back = sign * (self.top_steps - positions)
        return np.asarray(self.top_steps - sign * np.maximum(back - lag_steps, 0.0))

    def _fitted(self, points: Sequence[Point]) -> Backlash:
        """The lag, from 0 to the whole way, that explains the star sizes best."""
        counting = [point for point in points if point.counts(1)]
        positions = np.array([point.position_steps for point in counting], float)
        sizes = np.log([point.radius_px for point in counting])
        lags = np.arange(0.0, abs(self.top_steps - points[-1].position_steps) + 1.0)
        places = self._drawtube(positions, lags[:, None])
        misfit = np.abs(sizes - np.log(self.curve.radius_at(places))).sum(axis=1)
        best = int(misfit.argmin())
        # A frame's error moves the lag by that error over the flank's steepness, 1/√n of it.
        steepness = abs(self.curve.slope_px_per_step) / self.curve.radius_px
        return Backlash(float(lags[best]), _SIZE_ERROR / steepness / sqrt(max(len(counting), 1)))
