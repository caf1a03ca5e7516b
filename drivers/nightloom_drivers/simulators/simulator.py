"""What every simulated device has in common: vectors, a connection, and somewhere to report to.

A simulator knows INDI's properties and its physics, and no transport: the loopback link and the
INDI server both hand it requests (`receive`) and take its events (`attach`).

Long on purpose: what all devices share, once, with its transport's and its subclass's side.
"""

import asyncio
import math
from collections.abc import Callable, Coroutine, Mapping
from contextvars import copy_context
from dataclasses import dataclass, field

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


@dataclass(frozen=True)
class Asked:
    """A client's request, once the device has taken it or turned it down."""

    device: str
    name: str
    values: Mapping[str, Value]


Watcher = Callable[[Event | Asked], None]
"""Hears what a device is asked and what it reports, and has no part in either."""

Hears = Callable[[str, Mapping[str, Value]], bool]
"""Whether a request for these values of a property comes through to the driver."""

Says = Callable[[Event], Event | None]
"""What is told instead of a report; None for nothing."""

AFTERWARDS_S = 1e-4
"""How long after a motion's end it is looked at: calendar seconds are only good to 0.2 µs."""


@dataclass
class Property:
    """A vector as its driver holds it: what is defined, and the values of the moment.

    `limits` are (minimum, maximum) per number, tested before an answer is called unless
    `tested` is False. `rule` is INDI's switch rule, `format` how a number may be shown, `labels`
    what stands beside a number for people. `early` properties are defined before the device is
    connected.
    """

    name: str
    kind: Kind
    elements: dict[str, Value]
    limits: dict[str, tuple[float, float]] = field(default_factory=dict)
    state: State = State.IDLE
    writable: bool = True
    rule: str = "OneOfMany"
    group: str = "Main Control"
    format: str = "%.10g"
    early: bool = False
    tested: bool = True
    labels: dict[str, str] = field(default_factory=dict)

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
            labels=dict(self.labels),
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
        self.hears: Hears = everything
        self.says: Says = unchanged
        self.powered: Callable[[], bool] = lambda: True
        self._context = copy_context()  # its own: what it does outlives whoever asked for it
        self._outbox: Callable[[Event], None] = _nowhere
        self._watchers: list[Watcher] = []
        self._tasks: set[asyncio.Task[None]] = set()
        self._activity: asyncio.Task[None] | None = None
        self._failed: asyncio.Future[None] | None = None
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
            Property(
                "POLLING_PERIOD",
                Kind.NUMBER,
                {"PERIOD_MS": 1000.0},
                {"PERIOD_MS": (10.0, 600000.0)},
                group="Options",
                early=True,
            ),
        )

    # For subclasses ---------------------------------------------------------------------------

    def add(self, *properties: Property) -> None:
        """Have these properties; those not `early` are defined while the device is connected."""
        self.properties.update({p.name: p for p in properties})

    def begin(self, work: Coroutine[object, object, None]) -> asyncio.Task[None]:
        """Go on with something that takes time, until it ends or the device is switched off."""
        task = asyncio.get_running_loop().create_task(work, context=self._context)
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return task

    def act(self, work: Coroutine[object, object, None]) -> None:
        """Begin the device's main activity, in place of the one that may be under way."""
        self.halt()
        self._activity = self.begin(work)

    def halt(self) -> None:
        """Leave the main activity where it is."""
        if self._activity is not None:
            self._activity.cancel()
        self._activity = None

    @property
    def active(self) -> bool:
        """Whether the main activity is under way."""
        return self._activity is not None and not self._activity.done()

    async def last(self, duration_s: float, report: Callable[[float], None] | None = None) -> None:
        """Let time pass, and report the seconds that are left once in a polling period."""
        loop = asyncio.get_running_loop()
        end_s = loop.time() + duration_s
        while report is not None and end_s - loop.time() > self.poll_s:
            await asyncio.sleep(self.poll_s)
            report(end_s - loop.time())
        await asyncio.sleep(max(0.0, end_s - loop.time()) + AFTERWARDS_S)

    def publish(self, name: str, state: State | None = None, **values: Value) -> None:
        """Change a property and tell the clients, as INDI's set* messages do."""
        changed = self.properties[name]
        changed.elements.update(values)
        changed.state = changed.state if state is None else state
        if changed.early or self.connected:
            self._tell(Updated(changed.snapshot(self.device)))

    def publish_blob(self, element: str, data: bytes, suffix: str = ".fits") -> None:
        """Send a frame; its vector bears the element's name, as camera drivers do."""
        if self.connected:
            self._tell(Received(Blob(self.device, element, suffix, data)))

    def say(self, text: str, level: str = "INFO") -> None:
        """Send a message to people, with its level in front as INDI's own drivers write it."""
        self._tell(Said(self.device, f"[{level}] {text}"))

    def number(self, name: str, element: str) -> float:
        """A number that the device holds."""
        return float(self.properties[name].elements[element])

    def choice(self, name: str) -> str:
        """Which switch of a vector is on; empty when none is."""
        return next((key for key, on in self.properties[name].elements.items() if on is True), "")

    @property
    def poll_s(self) -> float:
        """How often the device reports something that is changing."""
        return self.number("POLLING_PERIOD", "PERIOD_MS") / 1000.0

    def connect(self) -> None:
        """What else happens on connecting, before the clients hear of it: read the hardware."""

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
                self._tell(Defined(held.snapshot(self.device)))

    def watch(self, watcher: Watcher) -> None:
        """Have somebody beside the transport hear all that the device is asked and reports."""
        self._watchers.append(watcher)

    def receive(self, name: str, values: Mapping[str, Value]) -> None:
        """A client's request."""
        with_power = self.powered() or name == "CONNECTION"  # which the driver answers
        if with_power and self.hears(name, values):
            self._take(name, values)
        for watcher in self._watchers:
            watcher(Asked(self.device, name, values))

    def _take(self, name: str, values: Mapping[str, Value]) -> None:
        """Do what is asked. As in INDI's own drivers, an impossible request is dropped in silence
        and a number out of its limits turns the vector to Alert.
        """
        asked = self.properties.get(name)
        if asked is None or not asked.writable or not (asked.early or self.connected):
            return
        if not values or not set(values) <= set(asked.elements):
            return
        if asked.tested and any(_outside(v, asked.limits.get(key)) for key, v in values.items()):
            self.publish(name, State.ALERT)
            return
        if asked.rule == "OneOfMany" and asked.kind is Kind.SWITCH and True not in values.values():
            self.publish(name, State.ALERT)
            return
        answer = getattr(self, f"on_{name.lower()}", None)
        if answer is None:
            self.publish(name, State.OK, **switched(asked, values))
        else:
            answer(values)

    async def run(self) -> None:
        """Live until cancelled; whatever was begun ends with it, and its failure ends this."""
        self._failed = asyncio.get_running_loop().create_future()
        try:
            self.begin(self.live())
            await self._failed
        finally:
            for task in sorted(self._tasks, key=hash):
                task.cancel()

    async def live(self) -> None:
        """What the device does by itself: polling, cooling. It may return at once."""

    def on_connection(self, values: Mapping[str, Value]) -> None:
        """CONNECTION: the other properties are defined and deleted with it, after its Ok."""
        wanted = values.get("CONNECT") is True
        if wanted and not self.powered():
            self.publish("CONNECTION", State.ALERT, CONNECT=False, DISCONNECT=True)
            return
        if wanted == self.connected:
            self.publish("CONNECTION", State.OK)
            return
        if not wanted:
            self.disconnect()
            for held in self.properties.values():
                if not held.early:
                    self._tell(Removed(self.device, held.name))
        else:
            self.connect()
        state = State.OK if wanted else State.IDLE
        self.publish("CONNECTION", state, CONNECT=wanted, DISCONNECT=not wanted)
        if wanted:
            for held in self.properties.values():
                if not held.early:
                    self._tell(Defined(held.snapshot(self.device)))

    def _tell(self, event: Event) -> None:
        """Report, as far as it comes out; a watcher hears what does."""
        told = self.says(event)
        if told is None:
            return
        self._outbox(told)
        for watcher in self._watchers:
            watcher(told)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        error = None if task.cancelled() else task.exception()
        if error is not None and self._failed is not None and not self._failed.done():
            self._failed.set_exception(error)


def one_of_many(name: str, *elements: str) -> Property:
    """Switches of which one is on, at first the first."""
    return Property(name, Kind.SWITCH, {key: key == elements[0] for key in elements})


def switched(asked: Property, values: Mapping[str, Value]) -> dict[str, Value]:
    """The requested values, with the other switches of a one-of-many vector turned off."""
    chosen = asked.kind is Kind.SWITCH and asked.rule != "AnyOfMany" and True in values.values()
    others: dict[str, Value] = dict.fromkeys(asked.elements, False) if chosen else {}
    return {**others, **values}


def _outside(value: Value, limits: tuple[float, float] | None) -> bool:
    """Whether a number breaks its limits; equal limits are none, and NaN breaks even none."""
    if isinstance(value, (str, bool)):
        return False
    low, high = limits if limits and limits[0] != limits[1] else (-math.inf, math.inf)
    return not (math.isfinite(value) and low <= value <= high)


def _nowhere(_: Event) -> None:
    """Where reports go while no transport is attached."""


def everything(_: str, __: Mapping[str, Value]) -> bool:
    """Every request comes through."""
    return True


def unchanged(event: Event) -> Event:
    """Every report goes out as it is."""
    return event
