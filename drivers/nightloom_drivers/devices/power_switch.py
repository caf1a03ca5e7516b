"""A box that switches the power of other devices.

Cutting power is the last thing to try with a device that hangs. Mains voltage kills: outlets are
for a qualified person to wire, and low voltages are the safer thing to switch. A mount that loses
power may forget where it points, and a roof may stay where it is, over or under what it must not
touch: neither is switched here unless its outlet is named, and never while it says that it moves.

INDI's standard for such boxes is new (POWER_CHANNELS); older drivers have vectors of their own. So
an outlet is a switch, named by its vector and its element, that is On while there is power.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from nightloom_drivers.clock import Clock
from nightloom_drivers.devices.device import ANSWER_S, OFF, Device
from nightloom_drivers.errors import DeviceError
from nightloom_drivers.link import Link, State, Value

TRY_AGAIN_S = 5.0
"""Between two tries to connect a device that has power again: its hardware is still starting."""

MOTIONS: Mapping[str, tuple[str, ...]] = {
    "mount": ("EQUATORIAL_EOD_COORD", "TELESCOPE_PARK"),
    "roof": ("DOME_SHUTTER", "DOME_PARK"),
}
"""By role the vectors that are Busy while it moves something that can hurt."""


@dataclass(frozen=True)
class Outlet:
    """What switches the power of `feeds`, an INDI device.

    `element` of `vector` is On while there is power; where another element of the same vector says
    that there is none, as with vectors of ON and OFF, it is `off_element`.
    """

    feeds: str
    vector: str
    element: str
    off_element: str = ""


@dataclass(frozen=True)
class PowerSwitchSettings:
    """`outlets` by role; `off_s`: how long power is cut; `back_s`: how long a start may take."""

    outlets: Mapping[str, Outlet]
    off_s: float = 10.0
    back_s: float = 120.0


class PowerSwitch(Device):
    """A power box. It is connected when it is needed first."""

    def __init__(
        self, link: Link, device: str, settings: PowerSwitchSettings, clock: Clock
    ) -> None:
        super().__init__(link, device, clock)
        self.settings = settings
        self.needed = tuple(dict.fromkeys(one.vector for one in settings.outlets.values()))

    @property
    def roles(self) -> frozenset[str]:
        """The roles whose outlets are named: no other is ever switched."""
        return frozenset(self.settings.outlets)

    def is_on(self, role: str) -> bool:
        """Whether its outlet gives power. Raises DeviceRefused for a role without one."""
        outlet = self._outlet(role)
        return self.need(outlet.vector).on(outlet.element)

    async def cycle(self, role: str) -> None:
        """Cut the power of a role's device for a while, and wait until it is connected again.

        Cancelled or failing on the way, it switches the power on before it ends. What was known of
        the device is known no more. Raises DeviceRefused for a role whose outlet is not named, or
        that moves; DeviceError of the box, or of a device that does not come back.
        """
        outlet = self._outlet(role)
        self._at_rest(role, outlet)
        if not self.is_ready:
            await self.connect()
        self.link.let_go(outlet.feeds)
        if self.link.get(outlet.feeds, "CONNECTION") is not None:
            self.link.set(outlet.feeds, "CONNECTION", OFF)
        try:
            await self._switch(outlet, on=False)
            await asyncio.sleep(self.settings.off_s)
        finally:
            await asyncio.shield(self._switch(outlet, on=True))
        await self._back(outlet)

    async def _switch(self, outlet: Outlet, *, on: bool) -> None:
        values: dict[str, Value] = {outlet.element: on}
        if outlet.off_element:
            values[outlet.off_element] = not on
        await self.command(
            outlet.vector,
            values,
            lambda v: v.state is not State.BUSY and v.on(outlet.element) is on,
            ANSWER_S,
        )

    async def _back(self, outlet: Outlet) -> None:
        """Connect what has power again, switched off before, for a driver that missed it all.

        It may refuse while the hardware starts.
        """
        loop = asyncio.get_running_loop()
        end_s = loop.time() + self.settings.back_s
        while True:
            try:
                return await Device(self.link, outlet.feeds, self.clock).reconnect()
            except DeviceError:
                if loop.time() + TRY_AGAIN_S > end_s:
                    raise
            await asyncio.sleep(TRY_AGAIN_S)

    def _at_rest(self, role: str, outlet: Outlet) -> None:
        for name in MOTIONS.get(role, ()):
            vector = self.link.get(outlet.feeds, name)
            if vector is not None and vector.state is State.BUSY:
                raise self.refuse(outlet.vector, f"to cut the power of {outlet.feeds}", "it moves")

    def _outlet(self, role: str) -> Outlet:
        outlet = self.settings.outlets.get(role)
        if outlet is None:
            named = ", ".join(sorted(self.roles)) or "none"
            raise self.refuse(
                "its outlets", f"to cut the power of the {role}", f"outlets are named for {named}"
            )
        return outlet
