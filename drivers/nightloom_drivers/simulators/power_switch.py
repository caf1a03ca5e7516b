"""A power box with an outlet for each other device of the rig."""

from collections.abc import Mapping

from nightloom_drivers.link.vector import Kind, State, Value
from nightloom_drivers.physics.outlets import Outlets
from nightloom_drivers.simulators.simulator import Property, Simulator

CHANNELS = "POWER_CHANNELS"


class PowerSwitchSimulator(Simulator):
    """POWER_CHANNELS, as INDI's interface for power boxes has it: one switch an outlet."""

    def __init__(self, device: str, outlets: Outlets, fed: tuple[str, ...]) -> None:
        super().__init__(device)
        self._outlets, self._fed = outlets, fed
        elements: dict[str, Value] = {
            element_of(number): outlets.is_on(one) for number, one in enumerate(fed)
        }
        self.add(Property(CHANNELS, Kind.SWITCH, elements, state=State.OK, rule="AnyOfMany"))

    def on_power_channels(self, values: Mapping[str, Value]) -> None:
        """Switch what is named; the others stay as they are."""
        for number, fed in enumerate(self._fed):
            on = values.get(element_of(number))
            if on is not None:
                self._outlets.switch(fed, on=on is True)
        self.publish(CHANNELS, State.OK, **values)


def element_of(number: int) -> str:
    """The switch of an outlet, counted from 0."""
    return f"CHANNEL_{number + 1}"
