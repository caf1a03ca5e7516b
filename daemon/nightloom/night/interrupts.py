"""What may cut into a phase, strongest first, and the one way it does.

    Interrupt
    ├── Unsafe       the weather, or the station's silence
    ├── Operator     a person asked
    ├── Dawn         the night's time is over
    ├── TurnedTooFar this side of the pier allows no more
    └── Clouded      guide stars faded or star counts collapsed

An interrupt is raised by a watcher that runs beside the phase's work; the work is then cancelled,
never asked through a flag. A sub that is cancelled counts nowhere.
"""

import asyncio
from collections.abc import Coroutine, Iterator, Sequence
from typing import Any, TypeVar

from nightloom_drivers.errors import DeviceError

T = TypeVar("T")


class Interrupt(Exception):
    """Something stronger than what was being done; its text is the reason."""


class Unsafe(Interrupt):
    """The weather, or the station's silence, asks for shelter."""


class Operator(Interrupt):
    """A person asked for the end of the night."""


class Dawn(Interrupt):
    """The night's time is over."""


class TurnedTooFar(Interrupt):
    """The telescope came to the last hour angle of its pier side; the mount was stopped."""


class Clouded(Interrupt):
    """Too few of the expected stars are seen."""


STRENGTH: tuple[type[Exception], ...] = (Unsafe, Operator, Dawn, DeviceError, TurnedTooFar, Clouded)
"""The order of precedence when several come at once."""

Watcher = Coroutine[Any, Any, None]


async def unless(watchers: Sequence[Watcher], work: Coroutine[Any, Any, T]) -> T:
    """Do the work unless a watcher raises first; then cancel it, wait for it, and raise that.

    A watcher that returns is content. When several things were raised at once the strongest is;
    what is neither an interrupt nor a DeviceError goes before all, as a mistake to be seen.
    """
    try:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(watcher) for watcher in watchers]
            result = await group.create_task(work)
            for task in tasks:
                task.cancel()
            return result
    except BaseExceptionGroup as several:
        raise strongest(several) from several


def strongest(several: BaseExceptionGroup) -> BaseException:
    """The member that takes precedence."""
    return min(_members(several), key=_rank)


def _members(group: BaseExceptionGroup) -> Iterator[BaseException]:
    for member in group.exceptions:
        if isinstance(member, BaseExceptionGroup):
            yield from _members(member)
        else:
            yield member


def _rank(error: BaseException) -> int:
    for rank, kind in enumerate(STRENGTH):
        if isinstance(error, kind):
            return rank
    return -1
