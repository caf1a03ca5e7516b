"""Telling of the link: when it is lost, now and then while it stays away, and when it is back."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager

from nightloom.telemetry.events import LinkAway, LinkBack, LinkLost
from nightloom.telemetry.log import Log
from nightloom_drivers.link import Event, Found, Link, Lost

TELL_AGAIN_S = (30.0, 3600.0)
"""From one line about an outage to the next: at first, doubled each time, and at most."""


def telling_s() -> Iterator[float]:
    """The pauses between two lines about what goes on."""
    pause_s, longest_s = TELL_AGAIN_S
    while True:
        yield pause_s
        pause_s = min(2.0 * pause_s, longest_s)


@asynccontextmanager
async def outages_told(link: Link, log: Log) -> AsyncIterator[None]:
    """Have the log tell of every outage of an open link while the block lasts."""
    heard: asyncio.Queue[Event] = asyncio.Queue()

    def hear(event: Event) -> None:
        if isinstance(event, (Lost, Found)):
            heard.put_nowait(event)

    with link.listen(hear):
        telling = asyncio.create_task(_tell(heard, log))
        try:
            yield
        finally:
            telling.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await telling


async def _tell(heard: asyncio.Queue[Event], log: Log) -> None:
    loop = asyncio.get_running_loop()
    while True:
        event = await heard.get()
        if not isinstance(event, Lost):
            continue
        log.emit(LinkLost(reason=event.reason))
        lost_s, pauses = loop.time(), telling_s()
        while isinstance(event, Lost):
            try:
                async with asyncio.timeout(next(pauses)):
                    event = await heard.get()
            except TimeoutError:
                log.emit(LinkAway(for_s=loop.time() - lost_s))
        log.emit(LinkBack(after_s=loop.time() - lost_s))
