"""The periodic error of the right ascension gear, learned in the night by least squares.

The wave hangs on the angle of the axis, not on the hour: after a slew it goes on where the axis
then stands.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightloom.guiding.calibration import SIDEREAL_ARCSEC_PER_S

Floats = NDArray[np.float64]

# Worms of small mounts turn in two to twenty minutes (common practice, no source).
PERIOD_S_MIN, PERIOD_S_MAX = 110.0, 1300.0
# Even steps in frequency; the best one is refined by a parabola through its neighbours.
PERIODS = 220
# A period once learned is right to this part; over hours of axis it is then told much finer.
KNOWN_SHARE = 0.015
# Gears repeat for a while, not for ever; a thousand frames also put the noise of the fit well
# under that of one frame.
MEMORY_S, MEMORY_FRAMES = 2700.0, 1500
# The amplitude that is expected before anything was seen, and what a frame scatters by.
AMPLITUDE_PX, NOISE_PX = 3.0, 0.1
DRIFT_UNIT_S = 600.0
TERMS = 6
PRIOR = np.diag([1e-6, 1e-4, *[(NOISE_PX / AMPLITUDE_PX) ** 2] * 4])


def axis_ahead_s(hour_angle_deg: float, at_s: float, *, beyond_pole: bool) -> float:
    """The angle of the right ascension axis in seconds of its turning with the stars, less the
    clock: the same as long as the mount tracks, on both sides of the pier of a German mount.

    ``beyond_pole``: the telescope is west of the pier, with its axis half a turn on.
    """
    turned_deg = (hour_angle_deg + 180.0) % 360.0 - 180.0 + (180.0 if beyond_pole else 0.0)
    return 3600.0 * turned_deg / SIDEREAL_ARCSEC_PER_S - at_s


@dataclass
class Pointing:
    """What was seen between two slews: times, axis angles in seconds, and offsets, (3, n)."""

    began_s: float
    seen: Floats
    count: int = 0

    @classmethod
    def at(cls, began_s: float) -> "Pointing":
        return cls(began_s, np.zeros((3, MEMORY_FRAMES)))

    def add(self, at_s: float, axis_s: float, offset_px: float) -> None:
        self.seen[:, self.count % MEMORY_FRAMES] = at_s, axis_s, offset_px
        self.count += 1

    @property
    def memory(self) -> Floats:
        """The frames seen, (3, n) as `seen`; n is at most what its columns hold."""
        return self.seen[:, : self.count]


class PeriodicError:
    """Offset, drift, and a wave of unknown period with its second harmonic.

    Normal equations are kept for each period of a grid; the one that fits best is refined, and
    the wave of that period fitted to the frames in memory. A weak prior on the amplitude keeps the
    fit sane before the first turn is complete. Offset and drift are those of one pointing.

    ``ahead_s``: the angle of the axis, in seconds of its turning with the stars, less the clock.
    ``period_s``: one that is nearly known.
    """

    def __init__(self, ahead_s: float = 0.0, period_s: float | None = None) -> None:
        least, most = 1 / PERIOD_S_MAX, 1 / PERIOD_S_MIN
        if period_s is not None:
            least, most = (1 - KNOWN_SHARE) / period_s, (1 + KNOWN_SHARE) / period_s
        self.ahead_s = ahead_s
        self._grid = 2 * np.pi * np.linspace(least, most, PERIODS)
        self._normal = np.zeros((PERIODS, TERMS, TERMS))
        self._right = np.zeros((PERIODS, TERMS))
        self._earlier: list[Pointing] = []
        self._here: Pointing | None = None
        self._fresh: list[tuple[float, float, float]] = []
        """Frames, as `Pointing.seen`, that the normal equations do not hold yet."""
        self._last_s = self._reckoned_s = -math.inf
        """When the last frame was seen, and the last one that the equations hold."""
        self._turn_rate = float(self._grid[PERIODS // 2 if period_s else 0])
        self._wave = [0.0] * TERMS

    @property
    def period_s(self) -> float:
        """The period that fits best so far."""
        return 2 * math.pi / self._turn_rate

    @property
    def amplitude_px(self) -> float:
        """Half of the fundamental wave's height; 0 before the first fit."""
        return math.hypot(self._wave[2], self._wave[3])

    def observe(self, at_s: float, offset_px: float) -> None:
        """Take where the stars would be without any correction."""
        if self._here is None:
            self._here = Pointing.at(at_s)
        self._here.add(at_s, at_s + self.ahead_s, offset_px)
        self._fresh.append((at_s, at_s + self.ahead_s, offset_px))
        self._last_s = at_s

    def refit(self) -> None:
        """Choose the period anew, and fit its wave to what is in memory."""
        self._reckon()
        # The sum of squares that a fit explains is its right side times its solution.
        waves = np.linalg.solve(self._normal + PRIOR, self._right[:, :, None])[:, :, 0]
        self._turn_rate = _summit(self._grid, (waves * self._right).sum(axis=1))
        rate = np.array([self._turn_rate])
        normal, right = np.zeros((1, TERMS, TERMS)), np.zeros((1, TERMS))
        for pointing in self._pointings():
            normal, right = _of_the_wave(normal, right)
            more, and_more = self._equations(pointing.memory, pointing.began_s, rate)
            normal, right = normal + more, right + and_more
        self._wave = np.linalg.solve(normal[0] + PRIOR, right[0]).tolist()

    def slewed(self, ahead_s: float) -> "PeriodicError":
        """The same gear where the axis stands now: its wave is known, its period to a part."""
        same = PeriodicError(ahead_s, self.period_s)
        same._earlier, same._last_s = self._pointings(), self._last_s
        same._reckoned_s = same._last_s
        for pointing in same._earlier:
            normal, right = _of_the_wave(
                *same._equations(pointing.memory, pointing.began_s, same._grid)
            )
            same._normal += normal
            same._right += right
        same.refit()
        return same

    def change_px(self, from_s: float, to_s: float) -> float:
        """By how much the wave alone moves the stars between two times; 0 before the first fit."""
        return self._wave_px(to_s) - self._wave_px(from_s)

    def _wave_px(self, at_s: float) -> float:
        turn = self._turn_rate * (at_s + self.ahead_s)
        a, b, c, d = self._wave[2:]
        first = a * math.cos(turn) + b * math.sin(turn)
        return first + c * math.cos(2 * turn) + d * math.sin(2 * turn)

    def _pointings(self) -> list[Pointing]:
        """Those that still count, the present one last."""
        known = self._earlier if self._here is None else [*self._earlier, self._here]
        return [one for one in known if one.memory[0].max() > self._last_s - 2 * MEMORY_S]

    def _reckon(self) -> None:
        """Take the fresh frames into the normal equations, where older ones fade meanwhile."""
        if self._here is None or not self._fresh:
            return
        keep = math.exp((self._reckoned_s - self._last_s) / MEMORY_S)
        seen = np.array(self._fresh).T
        normal, right = self._equations(seen, self._here.began_s, self._grid)
        self._normal = keep * self._normal + normal
        self._right = keep * self._right + right
        self._fresh, self._reckoned_s = [], self._last_s

    def _equations(self, seen: Floats, began_s: float, rates: Floats) -> tuple[Floats, Floats]:
        """Normal equations (rates, terms, terms) and right sides (rates, terms) of frames of one
        pointing, (3, n), as of now. Only those in which stars were held are remembered, so that
        nothing is NaN.
        """
        at_s, axis_s, offset_px = seen
        turn = rates[:, None] * axis_s
        basis = np.empty((*turn.shape, TERMS))
        basis[..., 0], basis[..., 1] = 1.0, (at_s - began_s) / DRIFT_UNIT_S
        basis[..., 2], basis[..., 3] = np.cos(turn), np.sin(turn)
        basis[..., 4], basis[..., 5] = np.cos(2 * turn), np.sin(2 * turn)
        weighted = basis * np.exp((at_s - self._last_s) / MEMORY_S)[:, None]
        return np.matmul(weighted.transpose(0, 2, 1), basis), offset_px @ weighted


def _of_the_wave(normal: Floats, right: Floats) -> tuple[Floats, Floats]:
    """What equations (n, terms, terms), (n, terms) say of the wave when nothing is known of offset
    and drift; of the same shapes, with zeros there.
    """
    own, cross = normal[:, :2, :2] + PRIOR[:2, :2], normal[:, :2, 2:]
    share = np.linalg.solve(own, cross).transpose(0, 2, 1)
    wave_normal, wave_right = np.zeros_like(normal), np.zeros_like(right)
    wave_normal[:, 2:, 2:] = normal[:, 2:, 2:] - np.matmul(share, cross)
    wave_right[:, 2:] = right[:, 2:] - np.matmul(share, right[:, :2, None])[:, :, 0]
    return wave_normal, wave_right


def _summit(places: Floats, heights: Floats) -> float:
    """Where a parabola through the highest of evenly spaced points and its neighbours peaks.

    Both have shape (n,) with n > 2, and no NaN.
    """
    best = int(heights[1:-1].argmax()) + 1
    before, top, after = heights[best - 1 : best + 2]
    bend = before - 2 * top + after
    offset = 0.5 * (before - after) / bend if bend < 0 else 0.0
    step = places[1] - places[0]
    return float(places[best] + min(max(offset, -1.0), 1.0) * step)
