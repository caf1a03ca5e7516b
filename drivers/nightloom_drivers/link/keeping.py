"""Settings that must hold whenever a driver is there, sent again to each that is born again."""

import asyncio
import math
from collections import Counter
from collections.abc import Callable, Mapping

from nightloom_drivers.link.vector import (
    Defined,
    Event,
    Kind,
    Lost,
    Removed,
    Updated,
    Value,
    Vector,
)

QUIET_S = 0.5
"""A kept CONNECTION is sent when the driver has defined nothing for this long: its port and its
other early settings, which are sent as they are defined, must reach it first."""
TIMES_MAX = 5
"""How often a setting is sent to a driver that goes on defining it with another value."""
CONNECTION = "CONNECTION"
"""INDI's standard switch between a driver and its hardware."""

Send = Callable[[Vector, Mapping[str, Value]], None]


class Keeper:
    """Sends kept settings to drivers that define them.

    Once in a life of the device is enough, and needed even if the driver claims the value by
    itself: it may show a setting that it has only read from its file. Some drivers define a vector
    again whenever it is set, so within a life only another value is a reason, and not for ever.
    """

    def __init__(self, send: Send) -> None:
        self._send = send
        self._kept: dict[tuple[str, str], dict[str, Value]] = {}
        self._times: Counter[tuple[str, str]] = Counter()
        self._connecting: dict[str, tuple[Vector, asyncio.TimerHandle]] = {}

    def keep(self, device: str, name: str, values: Mapping[str, Value]) -> None:
        """Add values to what is kept for a vector."""
        self._kept[device, name] = {**self._kept.get((device, name), {}), **values}

    def forget(self, device: str, name: str) -> None:
        """Keep nothing for a vector any more."""
        self._kept.pop((device, name), None)
        if name == CONNECTION:
            self._stay(device)

    def hear(self, event: Event) -> None:
        """Act on one event of the link."""
        match event:
            case Defined(vector) if vector.name == CONNECTION:
                kept = self._kept.get((vector.device, CONNECTION))
                if kept and not reads(vector, kept):
                    self._connect_when_quiet(vector)
            case Defined(vector):
                self._restore(vector)
                if vector.device in self._connecting:
                    self._connect_when_quiet(self._connecting[vector.device][0])
            case Updated(vector) if vector.name == CONNECTION and not vector.on("CONNECT"):
                self._end_life(vector.device)
            case Removed(device, "") | Removed(device, "CONNECTION"):
                self._end_life(device)
                self._stay(device)
            case Lost():
                for device in {device for device, _ in self._kept}:
                    self._end_life(device)
                    self._stay(device)

    def _restore(self, vector: Vector) -> None:
        key = vector.device, vector.name
        kept, times = self._kept.get(key), self._times[key]
        if kept and (times == 0 or (times < TIMES_MAX and not reads(vector, kept))):
            self._times[key] += 1
            self._send(vector, kept)

    def _end_life(self, device: str) -> None:
        for key in [key for key in self._times if key[0] == device]:
            del self._times[key]

    def _connect_when_quiet(self, connection: Vector) -> None:
        device = connection.device
        self._stay(device)
        timer = asyncio.get_running_loop().call_later(QUIET_S, self._connect, device)
        self._connecting[device] = connection, timer

    def _stay(self, device: str) -> None:
        if device in self._connecting:
            self._connecting.pop(device)[1].cancel()

    def _connect(self, device: str) -> None:
        connection, _ = self._connecting.pop(device)
        self._send(connection, self._kept[device, CONNECTION])


def reads(vector: Vector, values: Mapping[str, Value]) -> bool:
    """Whether the vector has these values; numbers to the precision of a driver's float32."""

    def same(seen: Value | None, wanted: Value) -> bool:
        if vector.kind is Kind.NUMBER and seen is not None:
            return math.isclose(float(seen), float(wanted), rel_tol=1e-6, abs_tol=1e-9)
        return seen == wanted

    return all(same(vector.elements.get(name), wanted) for name, wanted in values.items())
