"""Slow random processes that can be asked for at any time, in any order."""

from itertools import accumulate

import numpy as np
from numpy.typing import ArrayLike, NDArray

_BLOCK = 1024


class Wander:
    """A stationary Ornstein–Uhlenbeck process of zero mean and unit variance.

    It is drawn in blocks on a grid that begins at `start_s`, always in the same order, and read
    between the grid points by linear interpolation; earlier times read the first value.
    """

    def __init__(
        self, stream: np.random.SeedSequence, start_s: float, correlation_s: float
    ) -> None:
        self._rng = np.random.default_rng(stream)
        self._start_s = start_s
        self._step_s = correlation_s / 20  # keeps 99 % of the variance between the points
        self._keep = float(np.exp(-self._step_s / correlation_s))
        self._values = self._rng.standard_normal(1)

    def at(self, t_s: float) -> float:
        """Return the value at one time."""
        place = max((t_s - self._start_s) / self._step_s, 0.0)
        i = int(place)
        self._draw_to(i + 1)
        return float(self._values[i] + (place - i) * (self._values[i + 1] - self._values[i]))

    def sample(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Return the values at an array of times, of its shape."""
        times = np.asarray(t_s, dtype=np.float64)
        return np.array([self.at(t) for t in times.ravel().tolist()]).reshape(times.shape)

    def _draw_to(self, index: int) -> None:
        while index >= len(self._values):
            kicks = np.sqrt(1 - self._keep**2) * self._rng.standard_normal(_BLOCK)
            last = float(self._values[-1])
            more = accumulate(kicks.tolist(), lambda v, kick: self._keep * v + kick, initial=last)
            self._values = np.concatenate((self._values[:-1], list(more)))
