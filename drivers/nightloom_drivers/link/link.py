"""The link: what has been heard, and waiting for what has not been heard yet.

A transport (INDI over TCP, loopback) adds four verbs: open, close, transmit, transmit_blob_mode;
it reports events in the order they came through `_hear`. All the rest is here, once.

Long on purpose: what is known, asked, waited for and heard is one memory.
"""

import asyncio
import dataclasses
import math
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Self

from nightloom_drivers.errors import DeviceGone, DeviceIncapable, DeviceLate, DeviceRefused
from nightloom_drivers.link.reconnecting import CONNECTION, Reconnecting
from nightloom_drivers.link.vector import (
    Blob,
    Defined,
    Event,
    Found,
    Kind,
    Lost,
    Received,
    Removed,
    Said,
    Updated,
    Value,
    Vector,
)

Condition = Callable[[Vector], bool]
Listener = Callable[[Event], None]

ON: Mapping[str, Value] = {"CONNECT": True, "DISCONNECT": False}


@dataclasses.dataclass(eq=False)
class _Waiter:
    """Someone who waits for a vector to fulfil a condition."""

    device: str
    name: str
    condition: Condition
    after: int
    future: asyncio.Future[Vector]


class Link(ABC):
    """INDI properties of many devices over one connection.

    Use as an async context manager. Devices that `keep_on` names are switched on in every life of
    their driver; what else must hold is their own concern (`Device.want`).
    """

    def __init__(self) -> None:
        self.connected = False
        self.serial = 0
        self._vectors: dict[tuple[str, str], Vector] = {}
        self._defined: set[tuple[str, str]] = set()
        self._ends: Counter[str] = Counter()
        self._losses = 0
        self._reconnecting = Reconnecting(self._switch_on)
        self._blob_devices: list[str] = []
        self._waiters: list[_Waiter] = []
        self._listeners: list[Listener] = []

    async def __aenter__(self) -> Self:
        await self.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    @abstractmethod
    async def open(self) -> None:
        """Connect, and stay connected from now on. Raises DeviceGone when nobody answers."""

    @abstractmethod
    async def close(self) -> None:
        """Disconnect for good."""

    @abstractmethod
    def _transmit(self, device: str, name: str, kind: Kind, values: Mapping[str, Value]) -> None:
        """Hand a new* request to the other side."""

    @abstractmethod
    def _transmit_blob_mode(self, device: str) -> None:
        """Ask for the device's binary elements beside its other messages."""

    # What is known ---------------------------------------------------------------------------

    def devices(self) -> list[str]:
        """Names of the devices that have defined anything, sorted."""
        return sorted({device for device, _ in self._vectors})

    def vectors(self, device: str) -> list[Vector]:
        """All vectors of a device as last heard, in the order of their definition."""
        return [vector for (owner, _), vector in self._vectors.items() if owner == device]

    def get(self, device: str, name: str) -> Vector | None:
        """The vector as last heard, or None. It may be old: decisions rest on `wait`."""
        return self._vectors.get((device, name))

    def ever_had(self, device: str, name: str) -> bool:
        """Whether the device has ever defined it: what it had once may come back."""
        return (device, name) in self._defined

    def life(self, device: str) -> int:
        """Which life of its driver this is: what was seen in an earlier one may be no more true.

        A life ends with the connection, with the device, and when it is switched off.
        """
        return self._losses + self._ends[device]

    # Asking ----------------------------------------------------------------------------------

    def set(self, device: str, name: str, values: Mapping[str, Value]) -> int:
        """Send a request and return the serial before it, to be handed to `wait` as `after`.

        Raises DeviceGone when the link is down or the vector unknown, and for what drivers drop
        without an answer DeviceIncapable (read-only vectors, unknown elements) and DeviceRefused
        (values of a wrong kind).
        """
        vector = self._known(device, name, values)
        for problem, error in (
            (_lacking(vector, values), DeviceIncapable),
            (_unfit(vector, values), DeviceRefused),
        ):
            if problem:
                raise error(device, name, asked=_text(values), seen=problem)
        before = self.serial
        self._transmit(device, name, vector.kind, values)
        return before

    def keep_on(self, device: str) -> None:
        """Switch the device on now, if it is there, and whenever its driver starts anew.

        Raises DeviceRefused as `set` does, when it is there.
        """
        if self.connected and self.get(device, CONNECTION):
            self.set(device, CONNECTION, ON)
        self._reconnecting.keep(device)

    def let_go(self, device: str) -> None:
        """End what `keep_on` began."""
        self._reconnecting.let_go(device)

    def keep_blobs(self, device: str) -> None:
        """Have the device's binary elements sent, now and after every reconnection."""
        if device not in self._blob_devices:
            self._blob_devices.append(device)
            if self.connected:
                self._transmit_blob_mode(device)

    async def wait(
        self,
        device: str,
        name: str,
        condition: Condition,
        *,
        after: int = -1,
        timeout_s: float,
        asked: str = "",
    ) -> Vector:
        """The first snapshot, heard later than serial `after`, that fulfils the condition.

        A vector that is not defined yet is waited for. Raises DeviceLate past the deadline, and
        DeviceGone when the connection, the device or the vector is lost meanwhile.
        """
        if not self.connected:
            raise DeviceGone(device, name, asked=asked or "an answer", seen="the link is down")
        known = self.get(device, name)
        if known is not None and known.serial > after and condition(known):
            return known
        future: asyncio.Future[Vector] = asyncio.get_running_loop().create_future()
        waiter = _Waiter(device, name, condition, after, future)
        self._waiters.append(waiter)
        try:
            async with asyncio.timeout(timeout_s):
                return await future
        except TimeoutError:
            last = self.get(device, name)
            seen = f"after {timeout_s:g} s it reads {last and _text(last.elements)}"
            seen += f" ({last.state})" if last else ""
            raise DeviceLate(device, name, asked=asked or "an answer", seen=seen) from None
        finally:
            self._waiters.remove(waiter)

    async def until_connected(self) -> None:
        """Wait until the link stands, however long."""
        found = asyncio.Event()

        def hear(event: Event) -> None:
            if isinstance(event, Found):
                found.set()

        with self.listen(hear):
            if not self.connected:
                await found.wait()

    async def linked(self, deadline_s: float) -> None:
        """Wait until the link stands. Raises DeviceGone past the deadline."""
        try:
            async with asyncio.timeout(deadline_s):
                await self.until_connected()
        except TimeoutError:
            raise DeviceGone(
                "the INDI server", CONNECTION, asked="to come back", seen="no answer"
            ) from None

    @contextmanager
    def listen(self, listener: Listener) -> Iterator[None]:
        """Have every event handed to `listener`, in order, until the block ends."""
        self._listeners.append(listener)
        try:
            yield
        finally:
            self._listeners.remove(listener)

    @contextmanager
    def blobs(self, device: str, element: str) -> Iterator[asyncio.Queue[Blob]]:
        """A queue of the element's frames that arrive while the block lasts."""
        queue: asyncio.Queue[Blob] = asyncio.Queue()

        def hear(event: Event) -> None:
            if isinstance(event, Received) and (event.blob.device, event.blob.element) == (
                device,
                element,
            ):
                queue.put_nowait(event.blob)

        with self.listen(hear):
            yield queue

    # Hearing ---------------------------------------------------------------------------------

    def _hear(self, event: Event) -> None:
        """Take one event from the transport, in order, on the event loop."""
        self.serial += 1
        match event:
            case Defined(vector) | Updated(vector):
                if vector.name == CONNECTION and not vector.on("CONNECT"):
                    self._ends[vector.device] += 1
                vector = vector.heard(self.serial)
                event = type(event)(vector)
                self._vectors[vector.device, vector.name] = vector
                self._defined.add((vector.device, vector.name))
                self._wake(vector)
            case Received(blob):
                event = Received(dataclasses.replace(blob, serial=self.serial))
            case Removed(device, name):
                self._forget(device, name, "it was removed")
                self._ends[device] += name in ("", CONNECTION)
            case Lost(reason):
                self.connected = False
                self._losses += 1
                self._forget("", "", reason)
            case Found():
                self.connected = True
                for device in self._blob_devices:
                    self._transmit_blob_mode(device)
        self._reconnecting.hear(event)
        for listener in tuple(self._listeners):
            listener(event)

    def _wake(self, vector: Vector) -> None:
        """Tell those who have waited for this; a condition that fails is its owner's to hear of."""
        for waiter in self._waiters:
            mine = (waiter.device, waiter.name) == (vector.device, vector.name)
            if not mine or waiter.future.done() or vector.serial <= waiter.after:
                continue
            try:
                if waiter.condition(vector):
                    waiter.future.set_result(vector)
            except Exception as error:  # noqa: BLE001
                waiter.future.set_exception(error)

    def _forget(self, device: str, name: str, reason: str) -> None:
        """Drop a vector, a device (no name) or everything (neither), and tell who waits for it."""

        def lost(owner: str, vector: str) -> bool:
            return (not device or owner == device) and (not name or vector == name)

        self._vectors = {key: v for key, v in self._vectors.items() if not lost(*key)}
        for waiter in self._waiters:
            if lost(waiter.device, waiter.name) and not waiter.future.done():
                waiter.future.set_exception(
                    DeviceGone(waiter.device, waiter.name, asked="an answer", seen=reason)
                )

    def _switch_on(self, connection: Vector) -> None:
        """Switch on a device whose driver has started anew."""
        problem = _lacking(connection, ON) or _unfit(connection, ON)
        if problem:
            self._hear(Said(connection.device, f"it cannot be switched on: {problem}"))
        else:
            self._transmit(connection.device, CONNECTION, connection.kind, ON)

    def _known(self, device: str, name: str, values: Mapping[str, Value]) -> Vector:
        if not self.connected:
            raise DeviceGone(device, name, asked=_text(values), seen="the link is down")
        vector = self.get(device, name)
        if vector is None:
            raise DeviceGone(device, name, asked=_text(values), seen="it is not defined")
        return vector


def _lacking(vector: Vector, values: Mapping[str, Value]) -> str:
    """What the driver has not, so that it would drop this request in silence, or an empty text."""
    if not vector.writable:
        return "it is read-only"
    unknown = sorted(set(values) - set(vector.elements))
    if unknown:
        return f"it has no element {', '.join(unknown)}"
    return ""


def _unfit(vector: Vector, values: Mapping[str, Value]) -> str:
    """Why values are none of the driver's elements', or an empty text."""
    for element, value in values.items():
        if not _fits(vector.kind, value):
            return f"{element} is a {vector.kind}, which {value!r} is not"
    return ""


def _fits(kind: Kind, value: Value) -> bool:
    """Whether a value can be sent as an element of the kind; drivers ignore or misread others."""
    match kind:
        case Kind.NUMBER:
            return not isinstance(value, (bool, str)) and math.isfinite(value)
        case Kind.SWITCH:
            return isinstance(value, bool)
        case Kind.TEXT:
            return isinstance(value, str)
        case _:
            return False


def _text(values: Mapping[str, Value]) -> str:
    return ", ".join(f"{name}={value}" for name, value in values.items())
