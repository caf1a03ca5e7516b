"""Looking at devices that may be switched off, and leaving them as they were found.

Nothing is moved. Some drivers bring a wheel or a focuser to its zero when they are switched on.
"""

import asyncio
import contextlib
import math
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass

from nightloom_drivers.errors import DeviceError, DeviceLate
from nightloom_drivers.link import Defined, Event, Kind, Link, Vector

QUIET_S = 1.0
"""Drivers define what they have in one burst; this long without a new vector ends it."""

CONNECTION = "CONNECTION"
OFF, ON = {"CONNECT": False, "DISCONNECT": True}, {"CONNECT": True, "DISCONNECT": False}


async def heard(
    link: Link,
    device: str,
    name: str,
    patience_s: float,
    good: Callable[[Vector], bool] = lambda _: True,
) -> Vector | None:
    """The vector as soon as it is defined, and good; None when it is not in time."""
    try:
        return await link.wait(device, name, good, timeout_s=patience_s)
    except DeviceLate:
        return None


@asynccontextmanager
async def shown(
    link: Link, device: str, name: str, patience_s: float
) -> AsyncIterator[Vector | None]:
    """A vector of a device, or None; one that is switched off is switched on for it."""
    vector = link.get(device, name)
    switched_on = vector is None
    if switched_on:
        link.set(device, CONNECTION, ON)
        vector = await heard(link, device, name, patience_s)
    yield vector
    if switched_on and vector is not None:
        await switch_off(link, device, patience_s)


async def switch_off(link: Link, device: str, patience_s: float) -> None:
    """Switch a device off, and wait until it is. Raises DeviceLate."""
    before = link.set(device, CONNECTION, OFF)
    await link.wait(
        device,
        CONNECTION,
        lambda connection: connection.on("DISCONNECT"),
        after=before,
        timeout_s=patience_s,
        asked="to switch off",
    )


@dataclass(frozen=True)
class Offered:
    """A device as its driver shows it when it is switched on; `answers` when it could be."""

    name: str
    vectors: Mapping[str, Vector]
    answers: bool = True

    @property
    def interface(self) -> int:
        """The bits of DRIVER_INTERFACE: what it claims to be; 0 where it does not say."""
        info = self.vectors.get("DRIVER_INFO")
        text = str(info.elements.get("DRIVER_INTERFACE", "")) if info else ""
        return int(text) if text.isascii() and text.isdecimal() else 0

    def number(self, vector: str, element: str) -> float:
        """A number of it; NaN when it has none such."""
        known = self.vectors.get(vector)
        return known.number(element) if known and known.kind is Kind.NUMBER else math.nan


async def offered(link: Link, names: Sequence[str] | None, patience_s: float) -> list[Offered]:
    """What devices show, of these names or all that there are.

    Those that are off are switched on together, and off again when all of them have shown what
    they have.
    """
    await quiet(link, patience_s)
    wanted = [name for name in link.devices() if names is None or name in names]
    off = [name for name in wanted if _is_off(link, name)]
    try:
        for name in off:
            link.set(name, CONNECTION, ON)
        on = await asyncio.gather(
            *(heard(link, name, CONNECTION, patience_s, lambda v: v.on("CONNECT")) for name in off)
        )
        await quiet(link, patience_s)
        dead = {name for name, answer in zip(off, on, strict=True) if answer is None}
        return [
            Offered(name, {one.name: one for one in link.vectors(name)}, name not in dead)
            for name in wanted
        ]
    finally:
        with contextlib.suppress(DeviceError):  # it is gone, or stays on: there is no more to do
            await asyncio.gather(*(switch_off(link, name, patience_s) for name in off))


def _is_off(link: Link, name: str) -> bool:
    connection = link.get(name, CONNECTION)
    return connection is not None and connection.writable and not connection.on("CONNECT")


async def quiet(link: Link, patience_s: float) -> None:
    """Wait until nothing new is defined, for some time at the most."""
    news = asyncio.Event()

    def hear(event: Event) -> None:
        if isinstance(event, Defined):
            news.set()

    with link.listen(hear), contextlib.suppress(TimeoutError):
        async with asyncio.timeout(patience_s):
            while await _comes(news):
                news.clear()


async def _comes(news: asyncio.Event) -> bool:
    """Whether something new comes before it is quiet."""
    try:
        async with asyncio.timeout(QUIET_S):
            return await news.wait()
    except TimeoutError:
        return False
