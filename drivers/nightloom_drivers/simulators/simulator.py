"""What every simulated device has in common: vectors, a connection, and somewhere to report to.

A simulator knows INDI's properties and its physics, and no transport: the loopback link and the
INDI server both hand it requests (`receive`) and take its events (`attach`).
"""

import asyncio
import math
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from typing import Any

from nightloom_drivers.link.vector import (
    Blob,
    Defined,
    Event,
    Kind,
    Received,
    Removed,
    Said,
    State,
    Updated,
    Value,
    Vector,
)


@dataclass
class Property:
    """A vector as its driver holds it: what is defined, and the values of the moment.

    `rule` is INDI's switch rule. `early` properties are defined before the device is connected.
    """

    name: str
    kind: Kind
    elements: dict[str, Value]
    limits: dict[str, tuple[float, float]] = field(default_factory=dict)
    state: State = State.IDLE
    writable: bool = True
    rule: str = "OneOfMany"
    group: str = "Main Control"
    early: bool = False

    def snapshot(self, device: str) -> Vector:
        """The vector as it stands."""
        return Vector(
            device,
            self.name,
            self.kind,
            self.state,
            dict(self.elements),
            dict(self.limits),
            self.writable,
        )


class Simulator:
    """A device that speaks INDI properties. Subclasses add properties and answers.

    An answer is a method named `on_<property in lower case>` that takes the requested values, or
    nothing: then the request is echoed with state Ok.
    """

    interface = 0

    def __init__(self, device: str) -> None:
        self.device = device
        self.properties: dict[str, Property] = {}
        self._outbox: Callable[[Event], None] = _nowhere
        self._tasks: set[asyncio.Task[None]] = set()
        self.add(
            Property("CONNECTION", Kind.SWITCH, {"CONNECT": False, "DISCONNECT": True}, early=True),
            Property(
                "DRIVER_INFO",
                Kind.TEXT,
                {
                    "DRIVER_NAME": device,
                    "DRIVER_EXEC": "nightloom-rig",
                    "DRIVER_VERSION": "1.0",
                    "DRIVER_INTERFACE": str(self.interface),
                },
                state=State.OK,
                writable=False,
                early=True,
            ),
        )

    # For subclasses ---------------------------------------------------------------------------

    def add(self, *properties: Property) -> None:
        """Have these properties; those not `early` are defined while the device is connected."""
        self.properties.update({p.name: p for p in properties})

    def begin(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Go on with something that takes time, until it ends or the device is switched off."""
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    def publish(self, name: str, state: State | None = None, **values: Value) -> None:
        """Change a property and tell the clients, as INDI's set* messages do."""
        changed = self.properties[name]
        changed.elements.update(values)
        changed.state = changed.state if state is None else state
        if changed.early or self.connected:
            self._outbox(Updated(changed.snapshot(self.device)))

    def publish_blob(self, element: str, data: bytes, suffix: str = ".fits") -> None:
        """Send a frame; its vector bears the element's name, as camera drivers do."""
        self._outbox(Received(Blob(self.device, element, suffix, data)))

    def say(self, text: str) -> None:
        """Send a message to people."""
        self._outbox(Said(self.device, text))

    def connect(self) -> None:
        """What else happens on connecting; the device's properties are defined afterwards."""

    def disconnect(self) -> None:
        """What else happens on disconnecting."""

    @property
    def connected(self) -> bool:
        """Whether a client has switched the device on."""
        return self.properties["CONNECTION"].elements["CONNECT"] is True

    # For a transport --------------------------------------------------------------------------

    def attach(self, outbox: Callable[[Event], None]) -> None:
        """Report to `outbox` from now on, beginning with the definitions that hold."""
        self._outbox = outbox
        for held in self.properties.values():
            if held.early or self.connected:
                outbox(Defined(held.snapshot(self.device)))

    def receive(self, name: str, values: Mapping[str, Value]) -> None:
        """A client's request. As in INDI's own drivers, an impossible one is dropped in silence
        and a number out of its limits turns the vector to Alert.
        """
        asked = self.properties.get(name)
        if asked is None or not asked.writable or not (asked.early or self.connected):
            return
        if not set(values) <= set(asked.elements):
            return
        if any(_outside(value, asked.limits.get(key)) for key, value in values.items()):
            self.publish(name, State.ALERT)
            return
        answer = getattr(self, f"on_{name.lower()}", None)
        if answer is None:
            self.publish(name, State.OK, **switched(asked, values))
        else:
            answer(values)

    async def run(self) -> None:
        """Live until cancelled; whatever was begun ends with it."""
        try:
            await self.live()
            await asyncio.get_running_loop().create_future()
        finally:
            for task in sorted(self._tasks, key=hash):
                task.cancel()

    async def live(self) -> None:
        """What the device does by itself: polling, cooling. May return at once."""

    def on_connection(self, values: Mapping[str, Value]) -> None:
        """CONNECTION: the other properties are defined and deleted with it, after its Ok."""
        wanted = values.get("CONNECT") is True
        if wanted == self.connected:
            self.publish("CONNECTION", State.OK)
            return
        if not wanted:
            self.disconnect()
            for held in self.properties.values():
                if not held.early:
                    self._outbox(Removed(self.device, held.name))
        state = State.OK if wanted else State.IDLE
        self.publish("CONNECTION", state, CONNECT=wanted, DISCONNECT=not wanted)
        if wanted:
            self.connect()
            for held in self.properties.values():
                if not held.early:
                    self._outbox(Defined(held.snapshot(self.device)))


def switched(asked: Property, values: Mapping[str, Value]) -> dict[str, Value]:
    """The requested values, with the other switches of a one-of-many vector turned off."""
    chosen = asked.kind is Kind.SWITCH and asked.rule != "AnyOfMany" and True in values.values()
    others: dict[str, Value] = dict.fromkeys(asked.elements, False) if chosen else {}
    return {**others, **values}


def _outside(value: Value, limits: tuple[float, float] | None) -> bool:
    """Whether a number breaks its limits; equal limits are none, and NaN breaks any."""
    if limits is None or limits[0] == limits[1] or isinstance(value, (str, bool)):
        return False
    return not (math.isfinite(value) and limits[0] <= value <= limits[1])


def _nowhere(_: Event) -> None:
    """Where reports go while no transport is attached."""
