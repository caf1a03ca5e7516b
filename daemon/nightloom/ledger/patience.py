"""Writing to a ledger that another process may hold, without stopping the daemon's loop."""

import asyncio
from collections.abc import Callable
from typing import TypeVar

from nightloom.ledger.store import LedgerBusy
from nightloom.telemetry import Log
from nightloom.telemetry.events import LedgerHeld

AGAIN_S = 0.5
"""Between two tries."""

HELD_MOST_S = 120.0
"""A backup takes seconds; whoever holds the ledger longer is not going to let go of it."""

Written = TypeVar("Written")


async def patiently(write: Callable[[], Written], log: Log, for_s: float = HELD_MOST_S) -> Written:
    """Write, and try again for a time while another process holds the ledger; the log says so.

    Raises LedgerBusy after that, and LedgerError for anything else at once.
    """
    loop = asyncio.get_running_loop()
    end_s, told = loop.time() + for_s, False
    while True:
        try:
            return write()
        except LedgerBusy as busy:
            if loop.time() >= end_s:
                raise
            if not told:
                log.emit(LedgerHeld(reason=str(busy)))
            told = True
        await asyncio.sleep(AGAIN_S)
