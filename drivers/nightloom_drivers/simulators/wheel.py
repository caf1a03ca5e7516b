"""A filter wheel."""

from collections.abc import Mapping

from nightloom_drivers.clock import Clock
from nightloom_drivers.link.vector import Kind, State, Value
from nightloom_drivers.physics.wheel import Wheel
from nightloom_drivers.simulators.simulator import Property, Simulator


class WheelSimulator(Simulator):
    """FILTER_SLOT keeps the old slot while the wheel turns, and bears the new one with its Ok."""

    interface = 16

    def __init__(self, device: str, wheel: Wheel, clock: Clock) -> None:
        super().__init__(device)
        self._wheel, self._clock = wheel, clock
        slot = float(wheel.slot(clock.unix_s()) or 1)
        names = dict(enumerate(wheel.names, start=1))
        self.add(
            Property(
                "FILTER_SLOT",
                Kind.NUMBER,
                {"FILTER_SLOT_VALUE": slot},
                {"FILTER_SLOT_VALUE": (1.0, float(len(names)))},
                group="Filter Wheel",
            ),
            Property(
                "FILTER_NAME",
                Kind.TEXT,
                {f"FILTER_SLOT_NAME_{slot}": name for slot, name in names.items()},
                group="Filter Wheel",
            ),
        )

    def on_filter_slot(self, values: Mapping[str, Value]) -> None:
        """Turn; another request before the end takes the place of this one."""
        slot = int(float(values["FILTER_SLOT_VALUE"]))  # Drivers drop the fraction.
        duration_s = self._wheel.goto(self._clock.unix_s(), slot)
        self.publish("FILTER_SLOT", State.BUSY)
        self.say(f"Turning to slot {slot}")
        self.act(self._turn(slot, duration_s))

    async def _turn(self, slot: int, duration_s: float) -> None:
        await self.last(duration_s)
        self.publish("FILTER_SLOT", State.OK, FILTER_SLOT_VALUE=float(slot))
