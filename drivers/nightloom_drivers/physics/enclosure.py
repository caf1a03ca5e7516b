"""Roof, dust cap and light panel."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightloom_drivers.physics.courses import Course


class Cover:
    """A roof or a dust cap: something that opens and closes in a fixed time."""

    def __init__(self, t_s: float, travel_s: float, is_open: bool) -> None:
        self._course = Course(t_s, 1.0 if is_open else 0.0)
        self._speed_per_s = 1.0 / max(travel_s, 1e-3)

    def open(self, t_s: float) -> float:
        """Begin to open; return the duration in seconds."""
        return self._course.move(t_s, 1.0, self._speed_per_s)

    def close(self, t_s: float) -> float:
        """Begin to close; return the duration in seconds."""
        return self._course.move(t_s, 0.0, self._speed_per_s)

    def abort(self, t_s: float) -> None:
        """Stop where it is."""
        self._course.cut(t_s)

    def position(self, t_s: float) -> float:
        """Return 0 (closed) to 1 (open)."""
        return self._course.at(t_s)

    def sample(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Return positions at an array of times, of its shape."""
        return self._course.sample(t_s)

    def is_open(self, t_s: float) -> bool:
        return self.position(t_s) > 1 - 1e-9

    def is_closed(self, t_s: float) -> bool:
        return self.position(t_s) < 1e-9

    def is_moving(self, t_s: float) -> bool:
        return t_s < self._course.last_turn_s


class Panel:
    """A light panel inside the dust cap: it lights the telescope while the cap is closed."""

    def __init__(self, t_s: float, levels: int) -> None:
        self.levels = levels
        self._output = Course(t_s, 0.0)
        self._level = levels
        self._is_on = False

    @property
    def is_on(self) -> bool:
        return self._is_on

    @property
    def level(self) -> int:
        """The chosen brightness, 0 to `levels`, whether lit or not."""
        return self._level

    def switch(self, t_s: float, on: bool) -> None:
        self._is_on = on
        self._apply(t_s)

    def set_level(self, t_s: float, level: int) -> None:
        """Choose the brightness; raises ValueError outside 0 to `levels`."""
        if not 0 <= level <= self.levels:
            raise ValueError(f"panel level {level} is outside 0 to {self.levels}")
        self._level = level
        self._apply(t_s)

    def output(self, t_s: float) -> float:
        """Return the light given, 0 to 1 of the highest."""
        return self._output.at(t_s)

    def _apply(self, t_s: float) -> None:
        self._output.cut(t_s)
        wanted = self._level / self.levels if self._is_on else 0.0
        self._output.extend(0.0, wanted - self._output.at(t_s))
