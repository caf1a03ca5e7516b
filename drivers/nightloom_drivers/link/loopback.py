"""A link to simulated devices in the same process: no socket, no thread, exact on virtual time."""

import asyncio
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol, TypeVar

from nightloom_drivers.link.link import Link
from nightloom_drivers.link.reconnecting import Reconnecting
from nightloom_drivers.link.vector import Event, Found, Kind, Lost, Received, Removed, Value

Held = TypeVar("Held")

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


class _Wire:
    """One direction: what is put in comes out in the same order, a latency later.

    Timers alone would not do: those due at the same moment fire in no particular order.
    """

    def __init__(self) -> None:
        self._under_way: deque[Callable[[], None]] = deque()

    def put(self, deliver: Callable[[], None]) -> None:
        self._under_way.append(deliver)
        asyncio.get_running_loop().call_later(LATENCY_S, self._deliver)

    def _deliver(self) -> None:
        self._under_way.popleft()()


class _Strangers(list[Held]):
    """Those of a new client; who was with the old one may leave all the same."""

    def remove(self, one: Held) -> None:
        if one in self:
            super().remove(one)


class LoopbackLink(Link):
    """INDI properties of simulated devices on the same event loop."""

    def __init__(self, responders: Sequence[Responder]) -> None:
        super().__init__()
        self._responders = {responder.device: responder for responder in responders}
        self._running: dict[str, asyncio.Task[None]] = {}
        self._replaced: set[asyncio.Task[None]] = set()
        """Those that are ending; closing waits for them as well."""
        self._with_blobs: set[str] = set()
        self._lives: Counter[str] = Counter()
        self._out, self._back = _Wire(), _Wire()

    async def open(self) -> None:
        for device in self._responders:
            self._start(device)
        self.reconnect()
        await asyncio.sleep(2 * LATENCY_S)

    async def close(self) -> None:
        ending, self._running = {*self._running.values(), *self._replaced}, {}
        for task in ending:
            task.cancel()
        if ending:
            await asyncio.wait(ending)
        if self.connected:
            self.disconnect("the link was closed")

    def reconnect(self) -> None:
        """Stand as a client that has just connected."""
        self._hear(Found())
        for device in self._responders:
            self._attach(device)

    def disconnect(self, reason: str = "the loopback was cut") -> None:
        """Cut the connection, as the death of a server would; the devices live on."""
        self._lives.update(list(self._responders))
        self._with_blobs.clear()
        self._hear(Lost(reason))

    def renew(self) -> None:
        """Cut the connection in the name of a client that has died; the next one is a stranger.

        Nobody is told: who listened and who waited is no more.
        """
        self._listeners, self._waiters = _Strangers(), _Strangers()
        self._reconnecting, self._blob_devices = Reconnecting(self._switch_on), []
        if self.connected:
            self.disconnect("its client is gone")

    @property
    def responders(self) -> list[Responder]:
        """The devices behind it, each as it was last replaced."""
        return list(self._responders.values())

    def replace(self, responder: Responder) -> None:
        """Put a new device in the place of one that died, as a server restarts a driver."""
        device = responder.device
        if device in self._responders:
            self.remove(device)
        self._responders[device] = responder
        self._start(device)
        if self.connected:
            self._attach(device)

    def remove(self, device: str) -> None:
        """End a device for good, as a driver ends that its server no longer restarts."""
        del self._responders[device]
        ending = self._running.pop(device)
        ending.cancel()
        self._replaced.add(ending)
        ending.add_done_callback(self._replaced.discard)
        self._lives[device] += 1
        if self.connected:
            self._hear(Removed(device))

    def _start(self, device: str) -> None:
        self._running[device] = asyncio.create_task(self._responders[device].run())

    def _attach(self, device: str) -> None:
        """Have the device report here for as long as this connection and this device last."""
        life = self._lives[device]

        def deliver(event: Event) -> None:
            unasked = isinstance(event, Received) and device not in self._with_blobs
            if life == self._lives[device] and not unasked:
                self._hear(event)

        self._responders[device].attach(lambda event: self._back.put(lambda: deliver(event)))

    def _transmit(self, device: str, name: str, kind: Kind, values: Mapping[str, Value]) -> None:
        responder = self._responders.get(device)
        if responder is not None:
            asked = dict(values)
            self._out.put(lambda: self._hand_over(responder, name, asked))

    def _hand_over(self, responder: Responder, name: str, asked: Mapping[str, Value]) -> None:
        """A request that comes to a device's end reaches neither it nor the next one."""
        if self._responders.get(responder.device) is responder:
            responder.receive(name, asked)

    def _transmit_blob_mode(self, device: str) -> None:
        self._with_blobs.add(device)
