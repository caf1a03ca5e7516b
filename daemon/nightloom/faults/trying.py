"""The one way to try again within a phase."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

from nightloom.executor import NotComputed
from nightloom.faults.table import Row, kind_of
from nightloom.faults.troubles import wait_s
from nightloom_drivers.errors import DeviceError

T = TypeVar("T")


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
