"""The periodic error of the right ascension gear, learned in the night by least squares."""

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Worms of small mounts turn in two to twenty minutes (common practice, no source).
PERIOD_S_MIN, PERIOD_S_MAX = 110.0, 1300.0
# Even steps in frequency; the best one is refined by a parabola through its neighbours.
PERIODS = 220
# Gears repeat for a while, not for ever; a thousand frames also put the noise of the fit well
# under that of one frame.
MEMORY_S, MEMORY_FRAMES = 2700.0, 1500
# The amplitude that is expected before anything was seen, and what a frame scatters by.
AMPLITUDE_PX, NOISE_PX = 3.0, 0.1
DRIFT_UNIT_S = 600.0
TERMS = 6
PRIOR = np.diag([1e-6, 1e-4, *[(NOISE_PX / AMPLITUDE_PX) ** 2] * 4])


class Worm:
    """Offset, drift, and a wave of unknown period with its second harmonic.

    Normal equations are kept for each period of a grid; the one that fits best is refined, and
    the wave of that period fitted to the frames in memory. A weak prior on the amplitude keeps the
    fit sane before the first turn is complete.
    """

    def __init__(self) -> None:
        self._grid = 2 * np.pi * np.linspace(1 / PERIOD_S_MAX, 1 / PERIOD_S_MIN, PERIODS)
        self._normal = np.zeros((PERIODS, TERMS, TERMS))
        self._right = np.zeros((PERIODS, TERMS))
        self._seen = np.zeros((2, MEMORY_FRAMES))  # times and offsets, the oldest overwritten
        self._count = 0
        self._began_s = math.nan
        self._last_s = math.nan
        self._turn_rate = float(self._grid[0])
        self._wave = np.zeros(TERMS)

    @property
    def period_s(self) -> float:
        """The period that fits best so far."""
        return 2 * math.pi / self._turn_rate

    @property
    def amplitude_px(self) -> float:
        """Half of the fundamental wave's height; 0 before the first fit."""
        return float(math.hypot(self._wave[2], self._wave[3]))

    def observe(self, at_s: float, offset_px: float) -> None:
        """Take where the stars would be without any correction."""
        if math.isnan(self._began_s):
            self._began_s = self._last_s = at_s
        keep = math.exp(-(at_s - self._last_s) / MEMORY_S)
        self._last_s = at_s
        basis = self._basis(at_s, self._grid)
        self._normal *= keep
        self._normal += basis[:, :, None] * basis[:, None, :]
        self._right *= keep
        self._right += offset_px * basis
        self._seen[:, self._count % MEMORY_FRAMES] = at_s, offset_px
        self._count += 1

    def refit(self) -> None:
        """Choose the period anew, and fit its wave to what is in memory."""
        # The sum of squares that a fit explains is its right side times its solution.
        waves = np.linalg.solve(self._normal + PRIOR, self._right[:, :, None])[:, :, 0]
        self._turn_rate = _summit(self._grid, (waves * self._right).sum(axis=1))
        times, offsets = self._seen[:, : self._count]
        basis = self._basis(times, self._turn_rate)
        weighted = basis * np.exp((times - self._last_s) / MEMORY_S)[:, None]
        self._wave = np.linalg.solve(weighted.T @ basis + PRIOR, weighted.T @ offsets)

    def change_px(self, from_s: float, to_s: float) -> float:
        """By how much the wave alone moves the stars between two times; 0 before the first fit."""
        if not self._wave.any():
            return 0.0
        basis = self._basis(np.array([from_s, to_s]), self._turn_rate)
        return float((basis[1, 2:] - basis[0, 2:]) @ self._wave[2:])

    def _basis(self, at_s: float | Floats, turn_rate: float | Floats) -> Floats:
        """The terms at several times for one rate, or at one time for several rates."""
        since_s = at_s - self._began_s
        turn = np.atleast_1d(turn_rate * since_s)
        basis = np.empty((len(turn), TERMS))
        basis[:, 0], basis[:, 1] = 1.0, since_s / DRIFT_UNIT_S
        basis[:, 2], basis[:, 3] = np.cos(turn), np.sin(turn)
        basis[:, 4], basis[:, 5] = np.cos(2 * turn), np.sin(2 * turn)
        return basis


def _summit(places: Floats, heights: Floats) -> float:
    """Where a parabola through the highest of evenly spaced points and its neighbours peaks."""
    best = int(heights[1:-1].argmax()) + 1
    before, top, after = heights[best - 1 : best + 2]
    bend = before - 2 * top + after
    offset = 0.5 * (before - after) / bend if bend < 0 else 0.0
    step = places[1] - places[0]
    return float(places[best] + min(max(offset, -1.0), 1.0) * step)
