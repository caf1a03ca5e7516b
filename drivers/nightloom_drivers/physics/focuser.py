"""The focuser, and where the best focus is."""

import numpy as np

from nightloom_drivers.physics.courses import GearWithPlay
from nightloom_drivers.rig_settings import FilterSettings, FocuserSettings, FocusSettings


class Focuser:
    """A motor focuser: what it counts differs from where the drawtube is by its backlash."""

    def __init__(self, settings: FocuserSettings, t_s: float) -> None:
        self.settings = settings
        self._gear = GearWithPlay(t_s, float(settings.start_steps), float(settings.backlash_steps))

    def move_to(self, t_s: float, position_steps: int) -> float:
        """Begin a move; return the duration in seconds. Raises ValueError outside the range."""
        if not 0 <= position_steps <= self.settings.range_steps:
            raise ValueError(
                f"position {position_steps} is outside 0 to {self.settings.range_steps} steps"
            )
        return self._gear.move(t_s, float(position_steps), self.settings.steps_per_s)

    def abort(self, t_s: float) -> None:
        self._gear.move(t_s, float(self.position(t_s)), self.settings.steps_per_s)

    def position(self, t_s: float) -> int:
        """Return the counted position."""
        return round(self._gear.motor.at(t_s))

    def drawtube_steps(self, t_s: float) -> float:
        """Return the true position: the counted one when last moved up, else above it."""
        return self._gear.load.at(t_s)

    def is_moving(self, t_s: float) -> bool:
        return t_s < self._gear.motor.last_turn_s


def best_focus_steps(
    settings: FocusSettings, filter_: FilterSettings, tube_c: float, altitude_deg: float
) -> float:
    """Return the drawtube position of best focus for a filter, tube temperature and altitude."""
    return (
        settings.base_steps
        + filter_.focus_offset_steps
        + settings.slope_steps_per_c * (tube_c - 10.0)
        + settings.flexure_steps * float(np.cos(np.radians(altitude_deg)))
    )
