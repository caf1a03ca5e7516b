"""Things that move: piecewise linear courses with a memory, and gears with play."""

from bisect import bisect_right

import numpy as np
from numpy.typing import ArrayLike, NDArray

_KEPT_POINTS = 8192  # of the past: hours of guiding, far longer than any exposure


class Course:
    """A quantity that changes linearly between turning points; past and plan can be asked for.

    Commands must come in the order of time. Asking is free in any order, back to the oldest kept
    turning point.
    """

    def __init__(self, t_s: float, value: float, rate_per_s: float = 0.0) -> None:
        self._t_s = [t_s]
        self._values = [value]
        self._rate_per_s = rate_per_s

    def at(self, t_s: float) -> float:
        """Return the value at one time."""
        i = bisect_right(self._t_s, t_s)
        if i == 0:
            return self._values[0]
        t0, v0 = self._t_s[i - 1], self._values[i - 1]
        if i == len(self._t_s):
            return v0 + self._rate_per_s * (t_s - t0)
        t1, v1 = self._t_s[i], self._values[i]
        return v0 + (v1 - v0) * (t_s - t0) / (t1 - t0)

    def sample(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Return the values at an array of times, of its shape."""
        times = np.asarray(t_s, dtype=np.float64)
        return np.array([self.at(t) for t in times.ravel().tolist()]).reshape(times.shape)

    @property
    def last_turn_s(self) -> float:
        """Time of the last turning point: afterwards the rate is constant."""
        return self._t_s[-1]

    def cut(self, t_s: float, rate_per_s: float = 0.0) -> None:
        """Forget the plan after `t_s` and go on at a constant rate from there."""
        value = self.at(t_s)
        i = bisect_right(self._t_s, t_s)
        if i and self._t_s[i - 1] == t_s:
            i -= 1
        del self._t_s[i:], self._values[i:]
        self._t_s.append(t_s)
        self._values.append(value)
        self._rate_per_s = rate_per_s
        if len(self._t_s) > 2 * _KEPT_POINTS:
            del self._t_s[:_KEPT_POINTS], self._values[:_KEPT_POINTS]

    def extend(self, duration_s: float, change: float, rate_per_s: float = 0.0) -> None:
        """From the last turning point change in `duration_s` (0 jumps), then go on at a rate."""
        self._t_s.append(self._t_s[-1] + duration_s)
        self._values.append(self._values[-1] + change)
        self._rate_per_s = rate_per_s

    def move(self, t_s: float, target: float, speed_per_s: float) -> float:
        """From `t_s` go to `target` at a speed and stay; return the duration in seconds."""
        self.cut(t_s)
        change = target - self._values[-1]
        duration_s = abs(change) / speed_per_s
        self.extend(duration_s, change)
        return duration_s


class GearWithPlay:
    """A motor and the load that it drives through a gear with play.

    Moving up, the load is where the motor is; after a reversal it stays until the motor has
    taken up the play, and then follows `play` above it.
    """

    def __init__(self, t_s: float, position: float, play: float) -> None:
        self.motor = Course(t_s, position)
        self.load = Course(t_s, position)
        self._play = play

    def move(self, t_s: float, target: float, speed_per_s: float) -> float:
        """From `t_s` drive the motor to `target`; return the duration in seconds."""
        duration_s = self.motor.move(t_s, target, speed_per_s)
        self.load.cut(t_s)
        change = target - self.motor.at(t_s)
        gap = self.load.at(t_s) - self.motor.at(t_s)  # from 0 to play
        idle = min(abs(change), gap if change > 0 else self._play - gap)
        self.load.extend(idle / speed_per_s, 0.0)
        self.load.extend(
            duration_s - idle / speed_per_s, float(np.sign(change)) * (abs(change) - idle)
        )
        return duration_s

    def stop(self, t_s: float) -> None:
        self.motor.cut(t_s)
        self.load.cut(t_s)
