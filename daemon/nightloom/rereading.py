"""Reading the configuration again while the daemon runs: by a request, or by a signal."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass

from nightloom.requests import Done, Refused
from nightloom.settings import Settings, SettingsError
from nightloom.settings.changes import take_over

Reread = Callable[[], Settings]
"""Reads the configuration as it is now. Raises SettingsError."""


@dataclass(frozen=True)
class Asked:
    """What signals ask of the process, and how its configuration is read again."""

    stop: asyncio.Event
    reload: asyncio.Event
    reread: Reread


def reloaded(running: Settings, reread: Reread, *, when: str) -> tuple[Settings, Done | Refused]:
    """The settings that hold from `when` on, and what is said of it."""
    try:
        new = take_over(running, reread())
    except SettingsError as error:
        why = " ".join(str(problem) for problem in error.problems)
        return running, Refused(why=f"The configuration stays as it was. {why}")
    said = f"Taken {when}: {'; '.join(new.taken)}." if new.taken else "Nothing is taken."
    if new.left:
        said += f" Left until the daemon is started anew: {'; '.join(new.left)}."
    return new.settings, Done(said=said)


@asynccontextmanager
async def heeded(asked: asyncio.Event, do: Callable[[], object]) -> AsyncIterator[None]:
    """Do something whenever the event is set, while the block lasts."""

    async def heed() -> None:
        while True:
            await asked.wait()
            asked.clear()
            do()

    heeding = asyncio.create_task(heed())
    try:
        yield
    finally:
        heeding.cancel()
        await asyncio.wait([heeding])
