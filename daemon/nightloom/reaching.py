"""The INDI server and its devices when the daemon starts: waited for, and looked at."""

import asyncio
from itertools import count

from nightloom.checks.devices import check_devices
from nightloom.night.interrupts import first
from nightloom.settings import Problem, Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import ServerAwaited
from nightloom.telemetry.outages import telling_s
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.link import Link

PATIENCE_S = 10.0
"""How long a configured device may take to show itself when the daemon starts."""

LOOKS_MAX = 5
"""So often a device may go while it is looked at, and its server stay."""


class LeftUnsafe(Exception):
    """A person asked for the end while the rig was not known to be parked and closed."""


async def opened(link: Link, log: Log, stop: asyncio.Event) -> None:
    """Open the link, however long its server takes to come up. Raises LeftUnsafe."""
    loop, pauses = asyncio.get_running_loop(), telling_s()
    tell_s = loop.time()
    while True:
        try:
            return await link.open()
        except DeviceGone as nobody:
            if loop.time() >= tell_s:
                log.emit(ServerAwaited(reason=str(nobody)))
                tell_s = loop.time() + next(pauses)
        if stop.is_set():
            raise LeftUnsafe(
                "The INDI server never answered: whether the rig is parked and closed is not known."
            )


async def device_problems(settings: Settings, link: Link, stop: asyncio.Event) -> list[Problem]:
    """What is wrong with the devices, looked at anew when their server went meanwhile.

    Nothing where a person asks for the end before it is back. Raises DeviceError.
    """
    for look in count(1):
        try:
            return await check_devices(settings, link, patience_s=PATIENCE_S)
        except DeviceGone:
            if link.connected and look >= LOOKS_MAX:
                raise
        await first(link.until_connected(), stop.wait())
        if stop.is_set():
            break
    return []
