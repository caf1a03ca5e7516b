"""What systemd is told: that the daemon is up, what it does, and that its control loop lives.

The loop lives when its event loop turns, and when the night's work goes on. In phases that do
something at all times (WORKING), something is logged at least once in a sub and its download, its
dither and a look at the focus; where it is not, no sign of life is given, and systemd's watchdog
ends the daemon, makes the rig safe and starts it anew. In the other phases waiting is the work:
there it is the watchers of weather, dawn and persons that must go on, which they do with the loop.

The protocol is that of sd_notify(3): datagrams to the socket named in NOTIFY_SOCKET.
"""

import asyncio
import os
import socket
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from datetime import datetime

from nightloom.night.phases import Phase
from nightloom.settings import Settings
from nightloom.sky import HOUR_S
from nightloom.telemetry import Event, Log
from nightloom.telemetry.events import PhaseChanged

WORKING = {Phase.ACQUIRING, Phase.GATHERING, Phase.CROSSING}
"""Phases in which something is logged again and again. Retiring warms a sensor in silence, by
deadlines of its own."""

WORKED_S = 900.0
"""Longest silence beside a sub, and a wait for the dark or the meridian: a curve far out of focus,
or a device that is late everywhere.
"""

FED_PER_LIMIT = 3.0
"""Signs of life within systemd's limit: two may be lost."""

FED_S = 20.0
"""Between two signs where systemd states no limit."""


class Systemd:
    """A line to systemd; where there is none, nothing is said."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        limit_us = environment.get("WATCHDOG_USEC", "")
        self.fed_s = int(limit_us) / 1e6 / FED_PER_LIMIT if limit_us.isdecimal() else FED_S

    def tell(self, *said: str) -> None:
        """Say something, such as READY=1. It is lost where nobody listens."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            line.sendto("\n".join(said).encode(), address)


class LifeSigns:
    """Whether the night's work goes on, by what it logs; `now_s` are any steady seconds."""

    def __init__(self, now_s: float) -> None:
        self._heard_s, self.phase, self.reason = now_s, Phase.ASLEEP.value, ""

    def observe(self, event: Event, now_s: float) -> None:
        """Take an event of the log."""
        self._heard_s = now_s
        if isinstance(event, PhaseChanged):
            self.phase, self.reason = event.after, event.reason

    def lives(self, now_s: float, quiet_s_max: float) -> bool:
        """Whether all is well as far as can be told, with silence of `quiet_s_max` at the most."""
        return self.phase not in WORKING or now_s - self._heard_s <= quiet_s_max


@asynccontextmanager
async def systemd_told(
    silence_s: Callable[[], float], log: Log, environment: Mapping[str, str] = os.environ
) -> AsyncIterator[None]:
    """Tell systemd that the daemon is up, then what it does and that it lives, until it stops.

    `silence_s` is how long its work may say nothing at present.
    """
    line, loop = Systemd(environment), asyncio.get_running_loop()
    signs = LifeSigns(loop.time())

    def observe(_: datetime, event: Event) -> None:
        signs.observe(event, loop.time())

    async def feed() -> None:
        while True:
            if signs.lives(loop.time(), silence_s()):
                why = f": {signs.reason}" if signs.reason else ""
                line.tell("WATCHDOG=1", f"STATUS={signs.phase}{why}")
            await asyncio.sleep(line.fed_s)

    line.tell("READY=1")
    with log.listen(observe):
        feeding = asyncio.create_task(feed())
        try:
            yield
        finally:
            line.tell("STOPPING=1", "STATUS=parks and closes")
            feeding.cancel()
            await asyncio.wait([feeding])


def quiet_s_max(settings: Settings) -> float:
    """Longest silence of a night that goes on, while it works."""
    subs = (sub for target in settings.targets.targets for sub in target.subs.values())
    longest_s = max((sub.exposure_s for sub in subs), default=0.0)
    waits_s = max(
        settings.policies.acquire.begin_before_s,
        HOUR_S * settings.observatory.mount.standstill_h,
    )
    return longest_s + waits_s + WORKED_S
