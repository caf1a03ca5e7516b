"""Virtual time for asyncio: the loop jumps to the next timer instead of waiting for it.

A night of tens of thousands of waits passes in the time its arithmetic takes, and one seed gives
one order of events, since nothing but timers and callbacks decides what comes next.
"""

import asyncio
import contextlib
import itertools
import selectors
from collections.abc import Callable, Coroutine, Generator, Iterator
from concurrent.futures import Executor
from typing import TypeVar, TypeVarTuple

T = TypeVar("T")
Ts = TypeVarTuple("Ts")


Work = Generator[object, None, T] | Coroutine[object, object, T]


class Stalled(RuntimeError):
    """The simulated world cannot move on: nothing is due, or time stands still."""


class _JumpingSelector(selectors.DefaultSelector):
    """Polls real input first, and moves the clock only when nothing real is under way."""

    loop: "VirtualTimeLoop"

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        loop = self.loop
        if timeout == 0:  # Callbacks are ready to run now.
            loop.turns_since_jump += 1
            if loop.turns_since_jump > loop.turns_max:
                raise Stalled(f"{loop.turns_max} loop turns without a jump, t={loop.now_s:.3f} s")
            return []
        if loop.real_jobs:  # A thread is at work: hold the clock and wait for the thread.
            events = super().select(loop.real_wait_s_max)
            if not events:
                raise Stalled(f"no answer from a thread in {loop.real_wait_s_max} real s")
            return events
        if timeout is None:
            events = super().select(0)
            if events:
                return events
            raise Stalled(f"every task waits and no timer is set, t={loop.now_s:.3f} s")
        loop.now_s += timeout
        loop.turns_since_jump = 0
        return super().select(0)


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """A stock selector loop whose time() is a number that only waiting can advance.

    Time starts at 0 s: past 2**24 s (194 days) a float step outgrows asyncio's timer resolution
    and timers stop firing. Calendar time belongs to the Clock, as epoch + loop.time().
    """

    def __init__(self, *, turns_max: int = 100_000, real_wait_s_max: float = 60.0) -> None:
        self.now_s = 0.0
        self.turns_since_jump = self.real_jobs = 0
        self.turns_max, self.real_wait_s_max = turns_max, real_wait_s_max
        selector = _JumpingSelector()
        selector.loop = self
        super().__init__(selector)

    def time(self) -> float:
        return self.now_s

    @contextlib.contextmanager
    def real_job(self) -> Iterator[None]:
        """Hold the virtual clock while something outside the loop works (thread, process)."""
        self.real_jobs += 1
        try:
            yield
        finally:
            self.real_jobs -= 1

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[*Ts], T], *args: *Ts
    ) -> asyncio.Future[T]:
        """As the stock loop does, with the clock held until the job is done."""
        job = contextlib.ExitStack()
        job.enter_context(self.real_job())
        future = super().run_in_executor(executor, func, *args)
        future.add_done_callback(lambda _: job.close())
        return future

    async def shutdown_default_executor(self, *args: float) -> None:
        """As the stock loop does; it joins from a thread that run_in_executor never sees."""
        with self.real_job():
            await super().shutdown_default_executor(*args)


class _NumberedTask(asyncio.Task[T]):
    """A task whose place in a set follows its number, not its memory address."""

    def __init__(self, work: Work[T], *, number: int, **options: object) -> None:
        self._number = number
        begin: Callable[..., None] = super().__init__  # the options are the loop's own
        begin(work, **options)

    def __hash__(self) -> int:
        return self._number


def run_virtual(coro: Coroutine[object, object, T]) -> T:
    """Run one simulated night to its end, on a fresh virtual clock.

    Raises Stalled when every task waits for something that no timer will bring.
    """
    numbers = itertools.count(1)
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        runner.get_loop().set_task_factory(
            lambda loop, c, **options: _NumberedTask(c, number=next(numbers), loop=loop, **options)
        )
        return runner.run(coro)
