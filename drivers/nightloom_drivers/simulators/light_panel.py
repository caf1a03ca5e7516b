"""A light panel for flats."""

from collections.abc import Mapping

from nightloom_drivers.clock import Clock
from nightloom_drivers.link.vector import Kind, State, Value
from nightloom_drivers.physics.enclosure import Panel
from nightloom_drivers.simulators.simulator import Property, Simulator


class LightPanelSimulator(Simulator):
    """FLAT_LIGHT_CONTROL and FLAT_LIGHT_INTENSITY; both answer at once."""

    interface = 1024

    def __init__(self, device: str, panel: Panel, clock: Clock) -> None:
        super().__init__(device)
        self._panel, self._clock = panel, clock
        self.add(
            Property(
                "FLAT_LIGHT_CONTROL",
                Kind.SWITCH,
                {"FLAT_LIGHT_ON": panel.is_on, "FLAT_LIGHT_OFF": not panel.is_on},
            ),
            Property(
                "FLAT_LIGHT_INTENSITY",
                Kind.NUMBER,
                {"FLAT_LIGHT_INTENSITY_VALUE": float(panel.level)},
                {"FLAT_LIGHT_INTENSITY_VALUE": (0.0, float(panel.levels))},
                tested=False,
            ),
        )

    def on_flat_light_control(self, values: Mapping[str, Value]) -> None:
        on = values.get("FLAT_LIGHT_ON") is True
        self._panel.switch(self._clock.unix_s(), on)
        self.publish("FLAT_LIGHT_CONTROL", State.OK, FLAT_LIGHT_ON=on, FLAT_LIGHT_OFF=not on)

    def on_flat_light_intensity(self, values: Mapping[str, Value]) -> None:
        """Beyond its range: Alert, and then Ok with the old level, as libindi's light boxes do."""
        level = float(values["FLAT_LIGHT_INTENSITY_VALUE"])
        if not 0.0 <= level <= self._panel.levels:
            self.publish("FLAT_LIGHT_INTENSITY", State.ALERT)
        else:
            self._panel.set_level(self._clock.unix_s(), round(level))
        level = float(self._panel.level)
        self.publish("FLAT_LIGHT_INTENSITY", State.OK, FLAT_LIGHT_INTENSITY_VALUE=level)
