"""Writes that wait for another process without holding up anything else."""

import asyncio
from collections.abc import Callable
from typing import TypeVar

from nightloom.ledger.store import LedgerBusy

T = TypeVar("T")

AGAIN_S = 1.0
"""Between two tries."""

PATIENCE_S = 120.0
"""A backup of the file takes seconds; what holds it longer will not let go by itself."""


async def in_time(write: Callable[[], T], patience_s: float = PATIENCE_S) -> T:
    """Do a write, and again while another process holds the ledger. Raises LedgerError."""
    loop = asyncio.get_running_loop()
    end_s = loop.time() + patience_s
    while True:
        try:
            return write()
        except LedgerBusy:
            if loop.time() >= end_s:
                raise
        await asyncio.sleep(AGAIN_S)
