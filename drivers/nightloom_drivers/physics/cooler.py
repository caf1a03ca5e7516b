"""The sensor's cooler."""

from collections.abc import Callable

from nightloom_drivers.physics.courses import Course
from nightloom_drivers.rig_settings import CoolerSettings

_WARMEST_C = 80.0  # an unpowered sensor heads here and is held by the air around it


class Cooler:
    """Brings the sensor to a set-point at a fixed ramp, within its reach below the ambient air."""

    def __init__(
        self, settings: CoolerSettings, ambient_c: Callable[[float], float], t_s: float
    ) -> None:
        self.settings = settings
        self.limit_c = settings.limit_c
        """How far below the air it reaches; a tired cooler reaches less."""
        self._ambient_c = ambient_c
        self._drive = Course(t_s, _WARMEST_C)
        self._setpoint_c = 0.0
        self._is_on = False

    @property
    def is_on(self) -> bool:
        return self._is_on

    @property
    def setpoint_c(self) -> float:
        return self._setpoint_c

    def set_point(self, t_s: float, setpoint_c: float) -> None:
        """Ask for a sensor temperature and switch the cooler on."""
        self._setpoint_c, self._is_on = setpoint_c, True
        self._ramp(t_s, setpoint_c)

    def switch(self, t_s: float, on: bool) -> None:
        """Switch on, towards the last set-point, or off."""
        self._is_on = on
        self._ramp(t_s, self._setpoint_c if on else _WARMEST_C)

    def temperature_c(self, t_s: float) -> float:
        """Return the sensor's temperature."""
        ambient = self._ambient_c(t_s)
        return min(max(self._drive.at(t_s), ambient - self.limit_c), ambient)

    def power(self, t_s: float) -> float:
        """Return the power in use, 0 to 1 of the greatest."""
        if not self._is_on:
            return 0.0
        return (self._ambient_c(t_s) - self.temperature_c(t_s)) / self.limit_c

    def _ramp(self, t_s: float, target_c: float) -> None:
        now = self.temperature_c(t_s)
        self._drive.cut(t_s)
        self._drive.extend(0.0, now - self._drive.at(t_s))
        self._drive.move(t_s, target_c, self.settings.ramp_c_per_min / 60)
