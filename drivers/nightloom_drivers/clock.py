"""The one door through which calendar time enters.

Everything that waits does so on the event loop, and the loop decides what a second is: the real
loop's seconds are real, `virtual_loop` jumps over them, and `ScaledTimeLoop` runs through them
faster. A clock only adds the calendar to the loop's time.
"""

import asyncio
import selectors
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Protocol

SET_S = 2.0
"""A clock that differs by more was set: what disciplines it slowly stays below in a night."""


class Clock(Protocol):
    """Calendar time; waiting is `asyncio.sleep` and `asyncio.timeout`, on the loop's own time."""

    def unix_s(self) -> float:
        """Seconds since 1970-01-01 UTC."""
        ...

    def now(self) -> datetime:
        """The same moment as an aware UTC datetime."""
        ...


class WallClock:
    """The computer's own calendar."""

    def unix_s(self) -> float:
        return time.time()

    def now(self) -> datetime:
        return datetime.fromtimestamp(self.unix_s(), UTC)


class LoopClock:
    """The calendar of a loop whose time began at 0 when the calendar stood at `epoch_s`."""

    def __init__(self, epoch_s: float) -> None:
        self._epoch_s = epoch_s

    def unix_s(self) -> float:
        return self._epoch_s + asyncio.get_running_loop().time()

    def now(self) -> datetime:
        return datetime.fromtimestamp(self.unix_s(), UTC)


class WrongClock(LoopClock):
    """The same, as somebody has set it: `off_s` says how far it is ahead of the time."""

    def __init__(self, epoch_s: float, off_s: Callable[[], float]) -> None:
        super().__init__(epoch_s)
        self._off_s = off_s

    def unix_s(self) -> float:
        return super().unix_s() + self._off_s()


class SteadyClock:
    """A clock, and beside it what it would read had nobody set it since this object was made.

    Where they differ nobody knows which is right: whoever must be safe asks for both. Make it
    while the event loop runs.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._began_s = clock.unix_s() - asyncio.get_running_loop().time()

    def unix_s(self) -> float:
        return self._clock.unix_s()

    def now(self) -> datetime:
        return self._clock.now()

    def both_s(self) -> tuple[float, ...]:
        """What the clock reads, and what it would read; one number while they agree."""
        reads_s = self._clock.unix_s()
        steady_s = self._began_s + asyncio.get_running_loop().time()
        return (reads_s,) if abs(reads_s - steady_s) < SET_S else (reads_s, steady_s)


def steady_s() -> float:
    """Seconds of the running loop, for how long something takes: nobody sets them."""
    return asyncio.get_running_loop().time()


def real_monotonic_s() -> float:
    """The machine's monotonic seconds, for wall durations that are reported and never decided on.

    All processes of one machine share its origin, so it can also be handed to another process.
    """
    return time.monotonic()


class _ScaledSelector(selectors.DefaultSelector):
    """Waits a fraction of what it is asked to wait."""

    speed = 1.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        return super().select(None if timeout is None else timeout / self.speed)


class ScaledTimeLoop(asyncio.SelectorEventLoop):
    """A real event loop whose seconds pass `speed` times as fast.

    Sockets stay real, so the order of things is kept but timings are only as good as the machine:
    about 0.1 s × speed/60 late at the 99th percentile, seconds under load.
    """

    def __init__(self, speed: float, origin_s: float | None = None) -> None:
        self._speed = speed
        self._origin_s = time.monotonic() if origin_s is None else origin_s
        selector = _ScaledSelector()
        selector.speed = speed
        super().__init__(selector)

    def time(self) -> float:
        return (time.monotonic() - self._origin_s) * self._speed
