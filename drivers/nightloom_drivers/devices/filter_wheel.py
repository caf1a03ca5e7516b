"""The filter wheel: a slot is reached when it reads so, by word that came after the request."""

import math
from dataclasses import dataclass

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import Device
from nightloom_drivers.link import Link, State


@dataclass(frozen=True)
class FilterWheelSettings:
    """Slow wheels take 10 s for a full turn (common practice, no source)."""

    move_deadline_s: float = 60.0


class FilterWheel(Device):
    """A wheel with slots counted from 1."""

    needed = ("FILTER_SLOT",)

    def __init__(
        self, link: Link, device: str, settings: FilterWheelSettings, clock: Clock
    ) -> None:
        super().__init__(link, device, clock)
        self.settings = settings

    @property
    def slot(self) -> int | None:
        """The slot in the beam, or None while the wheel turns or does not know."""
        vector = self.need("FILTER_SLOT")
        slot = vector.number("FILTER_SLOT_VALUE")
        known = vector.state not in (State.BUSY, State.ALERT) and math.isfinite(slot)
        return round(slot) if known else None

    def reads(self, slot: int) -> bool:
        """Whether its last report names this slot: one that refuses to turn still stands in it."""
        vector = self.get("FILTER_SLOT")
        return vector is not None and vector.number("FILTER_SLOT_VALUE") == slot

    @property
    def slots(self) -> int:
        """How many slots the driver counts; 0 when it does not say."""
        lowest, highest = self.need("FILTER_SLOT").limits.get("FILTER_SLOT_VALUE", (0.0, 0.0))
        return round(highest) if highest > lowest else 0

    @property
    def names(self) -> tuple[str, ...]:
        """The driver's own names of the slots, in order; empty when it has none."""
        vector = self.get("FILTER_NAME")
        return tuple(str(name) for name in vector.elements.values()) if vector else ()

    async def select(self, slot: int) -> None:
        """Turn to a slot. Raises DeviceRefused, DeviceLate, DeviceContradicts, DeviceGone."""
        if slot < 1 or (self.slots and slot > self.slots):
            raise self.cannot("FILTER_SLOT", f"slot {slot}", f"its slots are 1 to {self.slots}")
        await self.put(
            "FILTER_SLOT", {"FILTER_SLOT_VALUE": float(slot)}, self.settings.move_deadline_s
        )
