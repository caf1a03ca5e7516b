"""How something failed, by its error; and the one way to try again within a phase."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

from nightloom.executor import NotComputed
from nightloom.faults.table import Kind, Row
from nightloom.faults.troubles import wait_s
from nightloom_drivers.errors import (
    DeviceContradicts,
    DeviceError,
    DeviceGone,
    DeviceIncapable,
    DeviceLate,
    DeviceRefused,
)

T = TypeVar("T")

_KINDS: tuple[tuple[type[Exception], Kind], ...] = (
    (DeviceIncapable, Kind.INCAPABLE),
    (DeviceRefused, Kind.REFUSED),
    (DeviceLate, Kind.LATE),
    (DeviceContradicts, Kind.CONTRADICTS),
    (DeviceGone, Kind.GONE),
    (NotComputed, Kind.NOT_COMPUTED),
)


def kind_of(error: Exception) -> Kind:
    """How it failed, by its error; whatever is told in no other way was refused."""
    return next(
        (kind for error_type, kind in _KINDS if isinstance(error, error_type)), Kind.REFUSED
    )


async def tried(row: Row, work: Callable[[], Awaitable[T]], note: Callable[[Exception], None]) -> T:
    """Do it as often as the row says, with its rests; each failure but the last is noted.

    Raises the last one, and at once what is none of the row's kinds.
    """
    number = 0
    while True:
        try:
            return await work()
        except (DeviceError, NotComputed) as error:
            number += 1
            if kind_of(error) not in row.kinds or number >= row.tries:
                raise
            note(error)
            await asyncio.sleep(wait_s(row, number))
