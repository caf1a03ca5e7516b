"""What all devices share: connecting, and the one pattern of a command.

A command is done when an event that came after it shows what was asked, in a state that is not
Busy. An Alert after it is a refusal; an Ok with another value is waited through, because drivers
answer before their values follow, and is a contradiction once the deadline has passed.
"""

import asyncio
import contextlib
import math
from collections.abc import Mapping

from nightloom_drivers.clock import Clock
from nightloom_drivers.errors import (
    DeviceContradicts,
    DeviceError,
    DeviceGone,
    DeviceIncapable,
    DeviceLate,
    DeviceRefused,
)
from nightloom_drivers.link import Condition, Link, State, Value, Vector

ANSWER_S = 5.0
"""Longest time to an answer that takes no movement: drivers poll their hardware each second."""

QUIET_S = 0.5
"""Drivers define their vectors in one burst; this long without a new one ends it."""


LACKING = "it has no such property"

OFF: Mapping[str, Value] = {"CONNECT": False, "DISCONNECT": True}


class Device:
    """One INDI device over a link. Subclasses name the vectors they cannot do without."""

    needed: tuple[str, ...] = ()

    def __init__(self, link: Link, device: str, clock: Clock) -> None:
        self.link, self.device, self.clock = link, device, clock
        self._wanted: dict[str, dict[str, Value]] = {}
        self._ready_life: int | None = None

    async def connect(self, deadline_s: float = 30.0) -> None:
        """Switch the device on, now and whenever its driver starts anew, and prepare it.

        Raises DeviceGone, naming the devices that are there, when this one is not;
        DeviceRefused when it will not connect; when a needed vector stays away DeviceLate, or
        DeviceIncapable where the device has never had it.
        """
        end_s = asyncio.get_running_loop().time() + deadline_s
        await self._present(min(deadline_s, 10.0))
        asked = self.link.serial
        self.link.keep_on(self.device)
        # A driver that is connected already need not answer, so an old snapshot may do.
        answer = await self.link.wait(
            self.device,
            "CONNECTION",
            lambda v: v.state is State.ALERT if v.serial > asked and not v.on("CONNECT") else on(v),
            timeout_s=deadline_s,
            asked="CONNECT",
        )
        if not answer.on("CONNECT"):
            raise DeviceRefused(self.device, "CONNECTION", asked="CONNECT", seen="Alert")
        for name in self.needed:
            left_s = max(end_s - asyncio.get_running_loop().time(), 0.1)
            await self._defined(name, left_s)
        await self._quiet()
        await self.prepare()
        await self.restore()
        self._ready_life = self.life

    async def prepare(self) -> None:
        """What else a subclass does on connecting."""

    def get(self, name: str) -> Vector | None:
        """The vector as last heard."""
        return self.link.get(self.device, name)

    def need(self, name: str) -> Vector:
        """The vector as last heard.

        Raises DeviceGone when it is not defined, and DeviceIncapable when it never was, though the
        device has shown all that it has.
        """
        vector = self.get(name)
        if vector is not None:
            return vector
        if self.is_ready and not self.link.ever_had(self.device, name):
            raise self.cannot(name, "its value", LACKING)
        raise DeviceGone(self.device, name, asked="its value", seen="it is not defined")

    def has(self, name: str, *elements: str) -> bool:
        """Whether the driver has the vector, and all these elements in it."""
        vector = self.get(name)
        return vector is not None and all(element in vector for element in elements)

    @property
    def is_ready(self) -> bool:
        """Whether `connect` came to its end in this life of the driver."""
        return self.link.connected and self._ready_life == self.life

    @property
    def life(self) -> int:
        """Which life of its driver this is; see `Link.life`."""
        return self.link.life(self.device)

    async def reconnect(self, deadline_s: float = 30.0) -> None:
        """Switch the device off, if it answers to that, and on again. Raises as `connect` does."""
        if self.has("CONNECTION", "DISCONNECT"):
            self.link.let_go(self.device)
            sent = self.link.set(self.device, "CONNECTION", OFF)
            with contextlib.suppress(DeviceLate):  # one that hangs is told to connect all the same
                await self.link.wait(
                    self.device,
                    "CONNECTION",
                    lambda v: not v.on("CONNECT"),
                    after=sent,
                    timeout_s=ANSWER_S,
                )
        await self.connect(deadline_s)

    def refuse(self, name: str, asked: str, seen: str) -> DeviceRefused:
        """The error for a request that the device turned down, or that cannot be a right one."""
        return DeviceRefused(self.device, name, asked=asked, seen=seen)

    def cannot(self, name: str, asked: str, seen: str) -> DeviceIncapable:
        """The error for a request that this device will never grant."""
        return DeviceIncapable(self.device, name, asked=asked, seen=seen)

    # Commands ---------------------------------------------------------------------------------

    async def command(
        self, name: str, values: Mapping[str, Value], done: Condition, deadline_s: float
    ) -> Vector:
        """Ask, and wait until the device has done it.

        Raises DeviceRefused (Alert, or dropped for what it is), DeviceIncapable (the device lacks
        it), DeviceContradicts (it settled on something else), DeviceLate (neither), DeviceGone.
        """
        if self.link.connected:
            self.need(name)
        sent = self.link.set(self.device, name, values)
        return await self.outcome(name, done, sent, deadline_s, spelled(values))

    async def outcome(
        self, name: str, done: Condition, sent: int, deadline_s: float, asked: str
    ) -> Vector:
        """The second half of `command`, for what was sent at serial `sent`."""
        try:
            seen = await self.link.wait(
                self.device,
                name,
                lambda v: v.state is State.ALERT or done(v),
                after=sent,
                timeout_s=deadline_s,
                asked=asked,
            )
        except DeviceLate:
            last = self.get(name)
            if last is None or last.serial <= sent or last.state is State.BUSY:
                raise
            raise DeviceContradicts(
                self.device, name, asked=asked, seen=f"it reads {described(last)}"
            ) from None
        if seen.state is State.ALERT:
            raise self.refuse(name, asked, f"it reads {described(seen)}")
        return seen

    async def put(
        self, name: str, values: Mapping[str, Value], deadline_s: float = ANSWER_S
    ) -> Vector:
        """Set values that the driver echoes, and wait for the echo."""
        return await self.command(
            name, values, lambda v: v.state is not State.BUSY and holds(v, values), deadline_s
        )

    async def choose(self, name: str, element: str, deadline_s: float = ANSWER_S) -> Vector:
        """Turn this switch of a one-of-many vector on, and wait until it alone is."""
        values = one_of(self.need(name), element)
        return await self.put(name, values, deadline_s)

    def stop_for(self, reason: BaseException, name: str) -> None:
        """Send an abort on the way out, when `reason` ended the wait for a motion.

        A driver without the vector, or out of reach, cannot be stopped: a note on `reason` says so.
        """
        try:
            self.link.set(self.device, name, {"ABORT": True})
        except DeviceError as unheard:
            reason.add_note(str(unheard))

    # Settings that must hold --------------------------------------------------------------------

    def want(self, name: str, values: Mapping[str, Value]) -> None:
        """State settings that `restore` puts in force, as far as the driver has them."""
        self._wanted[name] = {**self._wanted.get(name, {}), **values}

    async def restore(self) -> None:
        """Set again whatever a restarted driver, a saved file or another client has changed."""
        for name, wanted in self._wanted.items():
            vector = self.get(name)
            if vector is None or not vector.writable:
                continue
            values = {element: wanted[element] for element in wanted if element in vector}
            if not holds(vector, values):
                await self.put(name, values)

    async def _present(self, deadline_s: float) -> None:
        try:
            await self.link.wait(
                self.device, "CONNECTION", lambda _: True, timeout_s=deadline_s, asked="to be there"
            )
        except DeviceLate:
            there = ", ".join(self.link.devices()) or "no device"
            raise DeviceGone(
                self.device, "CONNECTION", asked="to be there", seen=f"the link knows {there}"
            ) from None

    async def _defined(self, name: str, deadline_s: float) -> None:
        """Wait for a vector; one that this device never had is not in it."""
        asked = "its definition"
        try:
            await self.link.wait(
                self.device, name, lambda _: True, timeout_s=deadline_s, asked=asked
            )
        except DeviceLate:
            if self.link.ever_had(self.device, name):
                raise
            raise self.cannot(name, asked, LACKING) from None

    async def _quiet(self) -> None:
        count = -1
        while count != (count := len(self.link.vectors(self.device))):  # noqa: ASYNC110
            await asyncio.sleep(QUIET_S)  # It is the quiet that is waited for, not an event.


def on(connection: Vector) -> bool:
    """Whether a CONNECTION vector says that the device is connected."""
    return connection.on("CONNECT") and connection.state not in (State.BUSY, State.ALERT)


def one_of(vector: Vector, element: str) -> dict[str, Value]:
    """A request that turns `element` on and every other switch of the vector off."""
    return {**dict.fromkeys(vector.elements, False), element: True}


def holds(vector: Vector, values: Mapping[str, Value]) -> bool:
    """Whether the vector reads these values; numbers may have passed through 32-bit floats."""
    return all(_same(vector.elements.get(element), value) for element, value in values.items())


def _same(seen: Value | None, asked: Value) -> bool:
    if isinstance(asked, (str, bool)) or not isinstance(seen, (int, float)):
        return seen == asked
    return math.isclose(seen, asked, rel_tol=1e-5, abs_tol=1e-4)


def spelled(values: Mapping[str, Value]) -> str:
    """Values as text for people."""
    return ", ".join(f"{name}={_short(value)}" for name, value in values.items())


def described(vector: Vector) -> str:
    """A vector's values and state as text for people."""
    return f"{spelled(vector.elements)} ({vector.state})"


def _short(value: Value) -> str:
    if isinstance(value, bool):
        return "On" if value else "Off"
    return value if isinstance(value, str) else f"{value:.9g}"
