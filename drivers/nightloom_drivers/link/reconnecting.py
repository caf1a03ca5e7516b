"""Devices that are to stay switched on: each new life of their driver is told so."""

import asyncio
from collections.abc import Callable

from nightloom_drivers.link.vector import Defined, Event, Lost, Removed, Vector

QUIET_S = 0.5
"""A driver is switched on when it has defined nothing for this long: it defines CONNECTION first,
and reads its port and its other early settings from its file in the same burst."""
CONNECTION = "CONNECTION"
"""INDI's standard switch between a driver and its hardware."""


class Reconnecting:
    """Has devices switched on whenever their driver says, in its definitions, that they are off."""

    def __init__(self, switch_on: Callable[[Vector], None]) -> None:
        self._switch_on = switch_on
        self._devices: set[str] = set()
        self._waiting: dict[str, tuple[Vector, asyncio.TimerHandle]] = {}

    def keep(self, device: str) -> None:
        """From now on this device is to be on."""
        self._devices.add(device)

    def let_go(self, device: str) -> None:
        """It may be off."""
        self._devices.discard(device)
        self._stay(device)

    def hear(self, event: Event) -> None:
        """Act on one event of the link."""
        match event:
            case Defined(vector) if vector.name == CONNECTION:
                if vector.device in self._devices and not vector.on("CONNECT"):
                    self._when_quiet(vector)
            case Defined(vector) if vector.device in self._waiting:
                self._when_quiet(self._waiting[vector.device][0])
            case Removed(device, "") | Removed(device, "CONNECTION"):
                self._stay(device)
            case Lost():
                for device in tuple(self._waiting):
                    self._stay(device)

    def _when_quiet(self, connection: Vector) -> None:
        device = connection.device
        self._stay(device)
        timer = asyncio.get_running_loop().call_later(QUIET_S, self._quiet, device)
        self._waiting[device] = connection, timer

    def _stay(self, device: str) -> None:
        if device in self._waiting:
            self._waiting.pop(device)[1].cancel()

    def _quiet(self, device: str) -> None:
        connection, _ = self._waiting.pop(device)
        self._switch_on(connection)
