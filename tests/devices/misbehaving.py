"""Simulated devices that behave as badly as a test asks, and running them on virtual time."""

import io
from collections.abc import Awaitable, Callable, Coroutine, Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
from astropy.io import fits

from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link import Kind, Link, LoopbackLink, State, Value
from nightloom_drivers.simulators.simulator import Property, Simulator
from nightloom_drivers.virtual_loop import run_virtual

EPOCH_S = datetime(2026, 11, 14, 21, tzinfo=UTC).timestamp()
CLOCK = LoopClock(EPOCH_S)

Answer = Callable[["Scripted", Mapping[str, Value]], Awaitable[None]]
"""What a device does when it is asked: a coroutine that publishes."""


class Scripted(Simulator):
    """A device with these properties and these answers by property name.

    `asked` records the requests, in order.
    """

    def __init__(self, *properties: Property, **answers: Answer) -> None:
        super().__init__("Odd")
        self.add(*properties)
        self.answers = answers
        self.asked: list[tuple[str, dict[str, Value]]] = []

    def receive(self, name: str, values: Mapping[str, Value]) -> None:
        self.asked.append((name, dict(values)))
        if name in self.answers:
            self.begin(self._answer(name, values))
        else:
            super().receive(name, values)

    async def _answer(self, name: str, values: Mapping[str, Value]) -> None:
        await self.answers[name](self, values)

    def requests(self, name: str) -> list[dict[str, Value]]:
        """What was asked of one property."""
        return [values for asked, values in self.asked if asked == name]


def numbers(
    name: str, values: dict[str, Value], limits: tuple[float, float] = (0.0, 0.0)
) -> Property:
    """A number vector whose elements share their limits."""
    return Property(name, Kind.NUMBER, values, dict.fromkeys(values, limits))


def switches(name: str, *elements: str, on: str = "", rule: str = "OneOfMany") -> Property:
    """A switch vector with one element on, or none."""
    state = State.OK if on else State.IDLE
    return Property(name, Kind.SWITCH, {e: e == on for e in elements}, state=state, rule=rule)


def tell(device: Simulator, story: Callable[[Link], Coroutine[Any, Any, None]]) -> None:
    """Run a story with this device on virtual time."""

    async def run() -> None:
        async with LoopbackLink([device]) as link:
            await story(link)

    run_virtual(run())


def fits_frame(
    width: int, height: int, *, exposure_s: float, start_unix_s: float, level: int = 1000
) -> bytes:
    """A frame as libindi's cameras send them, written by astropy."""
    image = fits.PrimaryHDU(np.full((height, width), level, np.uint16))
    image.header["EXPTIME"] = exposure_s
    start = datetime.fromtimestamp(start_unix_s, UTC).replace(tzinfo=None)
    image.header["DATE-OBS"] = start.isoformat(timespec="milliseconds")
    buffer = io.BytesIO()
    image.writeto(buffer)
    return buffer.getvalue()
