"""The guide port: pulses that nudge the mount.

Drivers acknowledge a pulse at once, at its end, late or never, with Ok or Idle. So the pulse's
own time is kept here, and the driver is asked only whether it has ended by then.
"""

import asyncio
from dataclasses import dataclass

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import Device, described
from nightloom_drivers.link import Link, State

WEST_EAST, NORTH_SOUTH = "TELESCOPE_TIMED_GUIDE_WE", "TELESCOPE_TIMED_GUIDE_NS"

PULSE_MS_MAX = 60_000.0
"""INDI's own limit; longer pulses turn the vector to Alert."""


@dataclass(frozen=True)
class GuidePortSettings:
    """`grace_s`: how long after its time a pulse may still count as running."""

    grace_s: float = 2.0


class GuidePort(Device):
    """What takes guide pulses: a mount, or a camera with a cable to it."""

    needed = (WEST_EAST, NORTH_SOUTH)

    def __init__(self, link: Link, device: str, settings: GuidePortSettings, clock: Clock) -> None:
        super().__init__(link, device, clock)
        self.settings = settings

    async def pulse(self, west_ms: float = 0.0, north_ms: float = 0.0) -> None:
        """Nudge both axes at once; negative is east and south. 0 sends nothing on that axis.

        West is towards lower right ascension: the axis runs faster than the sky. Raises
        DeviceRefused, DeviceLate (its end was not reported in time), DeviceGone.
        """
        pulses = [
            (WEST_EAST, "TIMED_GUIDE_W", "TIMED_GUIDE_E", west_ms),
            (NORTH_SOUTH, "TIMED_GUIDE_N", "TIMED_GUIDE_S", north_ms),
        ]
        sent = {
            # Both elements: a value left over in the other one would be driven again.
            name: self.link.set(self.device, name, {plus: max(ms, 0.0), minus: max(-ms, 0.0)})
            for name, plus, minus, ms in pulses
            if self._checked(name, ms)
        }
        await asyncio.sleep(max(abs(west_ms), abs(north_ms)) / 1000)
        end_s = asyncio.get_running_loop().time() + self.settings.grace_s
        for name, serial in sent.items():
            await self._ended(name, serial, end_s)

    @property
    def rates(self) -> tuple[float, float] | None:
        """Guide rates (west-east, north-south) in sidereal rates, or None when not told."""
        vector = self.get("GUIDE_RATE")
        if vector is None:
            return None
        return vector.number("GUIDE_RATE_WE"), vector.number("GUIDE_RATE_NS")

    def _checked(self, name: str, ms: float) -> bool:
        if not abs(ms) <= PULSE_MS_MAX:
            raise self.cannot(name, f"{ms:g} ms", f"the longest pulse is {PULSE_MS_MAX:g} ms")
        return ms != 0

    async def _ended(self, name: str, sent: int, end_s: float) -> None:
        seen = self.get(name)
        if seen is None or seen.serial <= sent or seen.state is State.BUSY:
            left_s = max(end_s - asyncio.get_running_loop().time(), 0.0)
            seen = await self.link.wait(
                self.device,
                name,
                lambda v: v.state is not State.BUSY,
                after=sent,
                timeout_s=left_s,
                asked="the end of a pulse",
            )
        if seen.state is State.ALERT:
            raise self.refuse(name, "a pulse", f"it reads {described(seen)}")
