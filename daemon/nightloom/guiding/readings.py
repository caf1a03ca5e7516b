"""What each guide frame says, told to everybody who listens."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass


class NotGuiding(Exception):
    """The stars are not held: no star, no calibration, or it ended. The text says which."""


@dataclass(frozen=True)
class Reading:
    """One guide frame's answer: its distance from the hold point, and the stars' light.

    `distance` counts in scatters of the guiding so far; `error_px` and it are NaN when no star is
    held, and so is `width_px`, the stars' FWHM. `seeing_px`: what the air makes of the error at
    present, of both axes together. `flux_ratio`: the stars' light against that when chosen.
    """

    at_s: float
    error_px: float
    distance: float
    seeing_px: float
    held: int
    chosen: int
    flux_ratio: float
    width_px: float


Listener = Callable[[Reading], None]


class Readings:
    """The stream of them. Listeners hear each one and outlast every start and stop of guiding;
    who waits for the next is told when none comes.
    """

    def __init__(self) -> None:
        self._listeners: list[Listener] = []
        self._next: asyncio.Future[Reading] | None = None
        self._end: Exception | None = NotGuiding("the stars are not held")

    def listen(self, listener: Listener) -> None:
        """Have every reading handed to `listener` from now on."""
        self._listeners.append(listener)

    async def next(self) -> Reading:
        """The next guide frame's answer.

        Raises what ended the loop, or NotGuiding, as soon as the loop has ended.
        """
        if self._end is not None:
            raise self._end
        if self._next is None or self._next.done():
            self._next = asyncio.get_running_loop().create_future()
        return await asyncio.shield(self._next)

    def begin(self) -> None:
        """The loop runs: readings are to come."""
        self._end = None

    def tell(self, reading: Reading) -> None:
        """Hand a reading to all."""
        for listener in self._listeners:
            listener(reading)
        if self._next is not None and not self._next.done():
            self._next.set_result(reading)

    def end(self, why: Exception) -> None:
        """None comes any more; who waits, or asks later, is told why."""
        self._end = why
        if self._next is not None and not self._next.done():
            self._next.set_exception(why)
            self._next.exception()  # who waited may have left
