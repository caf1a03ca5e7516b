"""The flat-field panel."""

from dataclasses import dataclass

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import Device
from nightloom_drivers.link import Link


@dataclass(frozen=True)
class LightPanelSettings:
    """Nothing moves in a panel, so it answers soon."""

    deadline_s: float = 10.0


class LightPanel(Device):
    """A panel with a brightness in its own units."""

    needed = ("FLAT_LIGHT_CONTROL",)

    def __init__(self, link: Link, device: str, settings: LightPanelSettings, clock: Clock) -> None:
        super().__init__(link, device, clock)
        self.settings = settings

    @property
    def is_on(self) -> bool:
        """Whether the driver says that the light is on."""
        return self.need("FLAT_LIGHT_CONTROL").on("FLAT_LIGHT_ON")

    @property
    def level_max(self) -> float:
        """The highest brightness; 0 when it cannot be set."""
        vector = self.get("FLAT_LIGHT_INTENSITY")
        limits = vector.limits.get("FLAT_LIGHT_INTENSITY_VALUE", (0.0, 255.0)) if vector else (0, 0)
        return limits[1]

    async def on(self, level: float) -> None:
        """Light up at this brightness. Raises DeviceRefused when the panel has no such level."""
        if not 0 <= level <= self.level_max:
            raise self.refuse(
                "FLAT_LIGHT_INTENSITY", f"{level:g}", f"its levels are 0 to {self.level_max:g}"
            )
        await self.choose("FLAT_LIGHT_CONTROL", "FLAT_LIGHT_ON", self.settings.deadline_s)
        await self.put(
            "FLAT_LIGHT_INTENSITY",
            {"FLAT_LIGHT_INTENSITY_VALUE": float(level)},
            self.settings.deadline_s,
        )

    async def off(self) -> None:
        """Go dark."""
        await self.choose("FLAT_LIGHT_CONTROL", "FLAT_LIGHT_OFF", self.settings.deadline_s)
