"""The motor cap in front of the telescope; in INDI's words it parks when it closes."""

from dataclasses import dataclass

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import Device
from nightloom_drivers.link import Link, State


@dataclass(frozen=True)
class DustCapSettings:
    """Caps take 5 to 30 s (common practice, no source)."""

    move_deadline_s: float = 60.0


class DustCap(Device):
    """A cap that opens and closes."""

    needed = ("CAP_PARK",)

    def __init__(self, link: Link, device: str, settings: DustCapSettings, clock: Clock) -> None:
        super().__init__(link, device, clock)
        self.settings = settings

    @property
    def is_open(self) -> bool | None:
        """True open, False closed, None moving or unknown (drivers start without knowing)."""
        vector = self.need("CAP_PARK")
        if vector.state in (State.BUSY, State.ALERT) or vector.on("PARK") == vector.on("UNPARK"):
            return None
        return vector.on("UNPARK")

    async def open(self) -> None:
        """Uncover the telescope."""
        await self._go("UNPARK", already=self.is_open is True)

    async def close(self) -> None:
        """Cover the telescope."""
        await self._go("PARK", already=self.is_open is False)

    async def _go(self, element: str, *, already: bool) -> None:
        if not already:
            await self.choose("CAP_PARK", element, self.settings.move_deadline_s)
