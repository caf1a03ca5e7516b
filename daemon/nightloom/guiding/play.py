"""The play between the declination motor and the telescope."""


class Play:
    """Tells how long a pulse must be to move the telescope, with the play that is still free.

    Motor and telescope are counted in px along the axis. Which end of the play the motor is at is
    not known before it has moved once through it: until then no play is expected.
    """

    def __init__(self, width_px: float) -> None:
        self._width_px = width_px
        self._free_px: float | None = None  # upwards; downwards the rest of the width is free

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
