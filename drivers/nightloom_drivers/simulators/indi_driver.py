"""Simulators as an INDI driver: indipydriver's vectors on one side, their events on the other."""

import asyncio
import logging
from collections.abc import Mapping, Sequence
from typing import Any

from indipydriver import (
    BLOBMember,
    BLOBVector,
    Device,
    IPyDriver,
    LightMember,
    LightVector,
    NumberMember,
    NumberVector,
    SwitchMember,
    SwitchVector,
    TextMember,
    TextVector,
)

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
from nightloom_drivers.simulators.simulator import Property, Simulator

log = logging.getLogger(__name__)


class SimulatorDriver(IPyDriver):  # type: ignore[misc]
    """One INDI driver for one or more simulated devices.

    Events leave in the order in which they happened, each update with its state. If a simulator
    fails, `asyncrun` fails: a driver that died must not look like one that has ended.
    """

    def __init__(self, simulators: Sequence[Simulator]) -> None:
        super().__init__(
            *[Device(s.device, [_vector(p) for p in s.properties.values()]) for s in simulators]
        )
        self._simulators = {simulator.device: simulator for simulator in simulators}
        self._events: asyncio.Queue[Event] = asyncio.Queue()

    async def hardware(self) -> None:
        """Let the simulators live, and send what they report."""
        async with asyncio.TaskGroup() as group:
            for simulator in self._simulators.values():
                simulator.attach(self._events.put_nowait)
                group.create_task(simulator.run())
            while True:
                await self._send(await self._events.get())

    async def rxevent(self, event: Any) -> None:
        """A client's request; what is no request at all is logged and dropped, as in libindi."""
        simulator, name = self._simulators[event.devicename], event.vectorname
        try:
            values = _values(simulator.properties[name].kind, dict(event))
        except (TypeError, ValueError) as error:
            log.warning("%s: %s cannot be read: %s", simulator.device, name, error)
        else:
            simulator.receive(name, values)

    async def _send(self, event: Event) -> None:
        match event:
            case Defined(vector):
                held = self._fill(vector)
                held.enable = True
                await held.send_defVector(state=vector.state.value)
            case Updated(vector):
                await self._fill(vector).send_setVector(state=vector.state.value)
            case Removed(device, name):
                await self[device][name].send_delProperty()
            case Said(device, text):
                await self[device].send_device_message(message=text)
            case Received(blob):
                await self._send_blob(blob)
            case Lost() | Found():
                raise AssertionError("a simulator has no connection to lose")

    def _fill(self, vector: Vector) -> Any:
        held = self[vector.device][vector.name]
        for key, value in vector.elements.items():
            if vector.kind is not Kind.BLOB:
                held[key] = _text(value)
        for key, (low, high) in vector.limits.items():
            member = held.data[key]
            member.min, member.max = _text(low), _text(high)
        return held

    async def _send_blob(self, blob: Blob) -> None:
        held = self[blob.device][blob.element]
        held[blob.element] = bytes(blob.data)
        held.set_blobsize(blob.element, len(blob.data))  # It would keep the first frame's size.
        await held.send_setVectorMembers(state="Ok", members=[blob.element])


class _LimitedNumber(NumberMember):  # type: ignore[misc]
    """A number whose updates carry its limits, as libindi's do, for limits can change."""

    def onenumber(self) -> Any:
        element = super().onenumber()
        element.set("min", self.min)
        element.set("max", self.max)
        return element


def _vector(held: Property) -> Any:
    """The indipydriver vector of a property; those not `early` wait for the connection."""
    state, permission = held.state.value, "rw" if held.writable else "ro"
    about = (held.name, held.name, held.group)
    values = {key: _text(value) for key, value in held.elements.items()}
    vector: Any
    match held.kind:
        case Kind.NUMBER:
            numbers = [_number(held, key, value) for key, value in values.items()]
            vector = NumberVector(*about, permission, state, numbers)
        case Kind.SWITCH:
            switches = [SwitchMember(key, key, value) for key, value in values.items()]
            vector = SwitchVector(*about, permission, held.rule, state, switches)
        case Kind.TEXT:
            texts = [TextMember(key, key, value) for key, value in values.items()]
            vector = TextVector(*about, permission, state, texts)
        case Kind.LIGHT:
            lights = [LightMember(key, key, value) for key, value in values.items()]
            vector = LightVector(*about, state, lights)
        case Kind.BLOB:
            blobs = [BLOBMember(key, key, blobformat=".fits") for key in values]
            vector = BLOBVector(*about, permission, state, blobs)
    vector.enable = held.early
    return vector


def _number(held: Property, key: str, value: str) -> _LimitedNumber:
    low, high = held.limits.get(key, (0.0, 0.0))
    label = held.labels.get(key, key)
    return _LimitedNumber(key, label, held.format, _text(low), _text(high), "0", value)


def _text(value: Value) -> str:
    """A value as INDI writes it: plain decimals, On and Off."""
    if isinstance(value, bool):
        return "On" if value else "Off"
    return str(value) if isinstance(value, str) else repr(float(value))


def _values(kind: Kind, texts: Mapping[str, str]) -> dict[str, Value]:
    """What a client wrote; raises TypeError or ValueError for a number that is none."""
    if kind is Kind.SWITCH:
        return {key: text == "On" for key, text in texts.items()}
    if kind is Kind.NUMBER:
        return {key: IPyDriver.indi_number_to_float(text) for key, text in texts.items()}
    # Blanks around a text are layout (INDI 1.7), and libindi writes each text on a line of its own.
    return {key: text.strip() for key, text in texts.items()}
