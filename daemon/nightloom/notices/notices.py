"""Notices: hears the log, and sends word of what was asked for, without ever holding up the night.

Each address has a queue and a task of its own: one that is out of reach is tried again at growing
intervals, for a day, and keeps no other waiting.
"""

import asyncio
import math
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from datetime import datetime

from nightloom.notices.addresses import Address
from nightloom.notices.rules import KEPT_S, SAID_AGAIN_S, WAITING_MAX, Notice, notice_of, pause_s
from nightloom.notices.sending import send
from nightloom.telemetry import Event, Log
from nightloom.telemetry.events import NoticeDropped, NoticeSent, NoticeUnsent

FAREWELL_S = 10.0
"""A daemon that ends waits no longer for what is still to be sent."""

Send = Callable[[Address, Notice], Awaitable[str]]
"""Sends it; says why it was not taken, or nothing."""


class Notices:
    """Sends word of events by name to every address."""

    def __init__(
        self,
        observatory: str,
        events: Sequence[str],
        addresses: Sequence[Address],
        log: Log,
        sending: Send = send,
    ) -> None:
        self._observatory, self._events, self._log = observatory, frozenset(events), log
        self._said_s: dict[Notice, float] = {}
        self._queues = [_Queue(address, log, sending) for address in addresses]

    @asynccontextmanager
    async def sending(self) -> AsyncIterator[None]:
        """Hear the log and send while the block lasts; then give what waits a last chance."""
        tasks = [asyncio.create_task(queue.run()) for queue in self._queues]
        try:
            with self._log.listen(self.observe):
                yield
            await self._farewell()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)  # all of them were cancelled
            for queue in self._queues:
                queue.drop_all("the daemon ended")

    def observe(self, _: datetime, event: Event) -> None:
        """Take one event of the log."""
        if event.name() not in self._events:
            return
        notice, now_s = notice_of(self._observatory, event), _now_s()
        if now_s - self._said_s.get(notice, -math.inf) < SAID_AGAIN_S:
            return
        self._said_s = {one: at_s for one, at_s in self._said_s.items() if now_s - at_s < KEPT_S}
        self._said_s[notice] = now_s
        for queue in self._queues:
            queue.put(notice)

    async def _farewell(self) -> None:
        empty = [asyncio.ensure_future(queue.until_empty()) for queue in self._queues]
        if empty:
            _, late = await asyncio.wait(empty, timeout=FAREWELL_S)
            for wait in late:
                wait.cancel()


class _Queue:
    """What waits for one address, the oldest first."""

    def __init__(self, address: Address, log: Log, sending: Send) -> None:
        self._address, self._log, self._send = address, log, sending
        self._waiting: deque[tuple[float, Notice]] = deque()
        self._news, self._hurry, self._empty = asyncio.Event(), asyncio.Event(), asyncio.Event()
        self._empty.set()

    def put(self, notice: Notice) -> None:
        if len(self._waiting) >= WAITING_MAX:
            self._drop(f"more than {WAITING_MAX} were waiting")
        self._waiting.append((_now_s(), notice))
        self._empty.clear()
        self._news.set()

    async def until_empty(self) -> None:
        """Try what is waiting once more, now, and wait until it is sent."""
        self._hurry.set()
        await self._empty.wait()

    def drop_all(self, reason: str) -> None:
        while self._waiting:
            self._drop(reason)

    async def run(self) -> None:
        failures = 0
        while True:
            while not self._waiting:
                self._empty.set()
                self._news.clear()
                await self._news.wait()
            at_s, notice = self._waiting[0]
            why = await self._try(notice)
            failures = failures + 1 if why else 0
            if not why:
                self._sent(at_s, notice)
                continue
            again_s = pause_s(failures)
            self._tell_unsent(notice, why, again_s)
            await self._pause(again_s)
            self._drop_old()

    async def _try(self, notice: Notice) -> str:
        try:
            return await self._send(self._address, notice)
        except Exception as error:  # noqa: BLE001  # its text may hold secrets, and the night goes on
            return f"a mistake in the daemon: {type(error).__name__}"

    def _sent(self, at_s: float, notice: Notice) -> None:
        if self._waiting and self._waiting[0][1] is notice:  # it may have given way meanwhile
            self._waiting.popleft()
        waited_s = _now_s() - at_s
        sent = NoticeSent(about=notice.about, address=str(self._address), waited_s=waited_s)
        self._log.emit(sent)

    def _tell_unsent(self, notice: Notice, why: str, again_s: float) -> None:
        self._log.emit(
            NoticeUnsent(
                about=notice.about, address=str(self._address), reason=why, again_s=again_s
            )
        )

    async def _pause(self, for_s: float) -> None:
        """Wait before the next try, unless there is no time to."""
        try:
            async with asyncio.timeout(for_s):
                await self._hurry.wait()
                self._hurry.clear()
        except TimeoutError:
            return

    def _drop_old(self) -> None:
        while self._waiting and _now_s() - self._waiting[0][0] >= KEPT_S:
            self._drop(f"nobody took it for {KEPT_S / 3600:g} h")

    def _drop(self, reason: str) -> None:
        _, notice = self._waiting.popleft()
        dropped = NoticeDropped(about=notice.about, address=str(self._address), reason=reason)
        self._log.emit(dropped)


def _now_s() -> float:
    """The loop's own time, which nobody sets."""
    return asyncio.get_running_loop().time()
