"""A link to simulated devices in the same process: no socket, no thread, exact on virtual time."""

import asyncio
import contextlib
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from nightloom_drivers.link.link import Link
from nightloom_drivers.link.vector import Event, Found, Kind, Lost, Received, Value

LATENCY_S = 0.001
"""What a message takes each way: a driver on the same machine answers in about 1 ms."""


class Responder(Protocol):
    """A device as the loopback sees it: it is asked, and it reports."""

    device: str

    def attach(self, outbox: Callable[[Event], None]) -> None:
        """Hand over where its events go, and have it define its vectors there."""
        ...

    def receive(self, name: str, values: Mapping[str, Value]) -> None:
        """A client's request. It returns at once; what follows is reported."""
        ...

    async def run(self) -> None:
        """Live: poll, move, cool. Cancelled when the device is switched off."""
        ...


class LoopbackLink(Link):
    """INDI properties of simulated devices on the same event loop."""

    def __init__(self, responders: Sequence[Responder]) -> None:
        super().__init__()
        self._responders = {responder.device: responder for responder in responders}
        self._running: list[asyncio.Task[None]] = []
        self._with_blobs: set[str] = set()
        self._generation = 0

    async def open(self) -> None:
        self._running = [asyncio.create_task(r.run()) for r in self._responders.values()]
        self.reconnect()
        await asyncio.sleep(2 * LATENCY_S)

    async def close(self) -> None:
        for task in self._running:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        self._running = []
        if self.connected:
            self.disconnect("the link was closed")

    def reconnect(self) -> None:
        """Stand as a client that has just connected."""
        self._hear(Found())
        for responder in self._responders.values():
            responder.attach(self._outbox(self._generation))

    def disconnect(self, reason: str = "the loopback was cut") -> None:
        """Cut the connection, as the death of a server would; the devices live on."""
        self._generation += 1
        self._with_blobs.clear()
        self._hear(Lost(reason))

    def _outbox(self, generation: int) -> Callable[[Event], None]:
        def deliver(event: Event) -> None:
            if generation != self._generation:
                return
            if isinstance(event, Received) and event.blob.device not in self._with_blobs:
                return
            self._hear(event)

        loop = asyncio.get_running_loop()

        def outbox(event: Event) -> None:
            loop.call_later(LATENCY_S, deliver, event)

        return outbox

    def _transmit(self, device: str, name: str, kind: Kind, values: Mapping[str, Value]) -> None:
        responder = self._responders.get(device)
        if responder is not None:
            loop = asyncio.get_running_loop()
            loop.call_later(LATENCY_S, responder.receive, name, dict(values))

    def _transmit_blob_mode(self, device: str) -> None:
        self._with_blobs.add(device)
