"""The backlash between the declination motor and the telescope."""

# Each turn measures the backlash as well as the calibration did; the mean of the last ones counts,
# since grease and balance change with the cold and the altitude.
MEMORY_TURNS = 10


class Backlash:
    """Tells how long a pulse must be to move the telescope, with the part of the backlash that
    is still free.

    Motor and telescope are counted in px along the axis. Which end of the backlash the motor is
    at is not known before it has moved once through it: until then none is expected.
    """

    def __init__(self, width_px: float) -> None:
        self._width_px = width_px
        self._measured = 1
        self._free_px: float | None = None  # upwards; downwards the rest of the width is free

    @property
    def width_px(self) -> float:
        """How far the motor turns idly between both ends, as known so far."""
        return self._width_px

    @property
    def side(self) -> int:
        """The direction in which the motor is in touch: 1, −1, or 0 between or unknown."""
        if self._free_px is None:
            return 0
        return 1 if self._free_px == 0 else -1 if self._free_px == self._width_px else 0

    def ahead_px(self, side: int) -> float:
        """How far the motor turns in that direction before the telescope follows."""
        if self._free_px is None:
            return 0.0
        return self._free_px if side > 0 else self._width_px - self._free_px

    def turn(self, motor_px: float) -> float:
        """Turn the motor; return how far the telescope follows."""
        side = 1 if motor_px > 0 else -1
        taken = min(self.ahead_px(side), abs(motor_px))
        if self._free_px is not None:
            self._free_px -= side * taken
        if abs(motor_px) > taken:
            self._free_px = 0.0 if side > 0 else self._width_px
        return side * (abs(motor_px) - taken)

    def turned(self, beyond_px: float) -> None:
        """A turn through all of it took the telescope further than expected, or less far when
        negative: it is as much narrower, or wider.
        """
        touches_below = self.side < 0
        self._measured = min(self._measured + 1, MEMORY_TURNS)
        self._width_px = max(0.0, self._width_px - beyond_px / self._measured)
        if touches_below:
            self._free_px = self._width_px
