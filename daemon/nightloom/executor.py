"""Where heavy arithmetic is done: in line on virtual time, in worker processes otherwise.

The event loop must never stall while frames are measured, and a virtual clock cannot see other
processes; so whoever assembles the rig decides.
"""

import asyncio
import multiprocessing
import os
import threading
import weakref
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Protocol, Self, TypeVar, TypeVarTuple

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.leash import end_with_parent
from nightloom_drivers.link.channel import mapped, memory_of
from nightloom_drivers.memory import give_frames_back
from nightloom_drivers.memory_file import LEAST_BYTES, descriptor_of

T = TypeVar("T")
Ts = TypeVarTuple("Ts")


class Executor(Protocol):
    """Runs a plain function of picklable arguments and gives its result."""

    async def __call__(self, function: Callable[[*Ts], T], *arguments: *Ts) -> T:
        """Raises whatever the function raises, and NotComputed when it comes to no answer."""
        ...


class InLine:
    """On the loop: exact on virtual time, which it charges a fixed `cost_s` for each call."""

    def __init__(self, cost_s: float = 0.0) -> None:
        self._cost_s = cost_s

    async def __call__(self, function: Callable[[*Ts], T], *arguments: *Ts) -> T:
        result = function(*arguments)
        await asyncio.sleep(self._cost_s)
        return result


class Threads:
    """In a thread: for what waits for the disk, and for calls that let go of the interpreter."""

    async def __call__(self, function: Callable[[*Ts], T], *arguments: *Ts) -> T:
        return await asyncio.to_thread(function, *arguments)


class SharedArray:
    """An array in an anonymous memory file, which other processes open without copying it.

    The file lasts as long as this object or an array that came of it, and after a crash no longer
    than the processes. An array that lies in no file of its own is copied to one, outside the
    interpreter's lock.
    """

    def __init__(self, array: NDArray[np.generic]) -> None:
        descriptor = descriptor_of(array)
        self._array = array if descriptor is not None else None
        if descriptor is None:
            descriptor = memory_of(np.ascontiguousarray(array).data)
            weakref.finalize(self, os.close, descriptor)
        self.handle = Handle(f"/proc/{os.getpid()}/fd/{descriptor}", array.shape, array.dtype)

    def __reduce__(self) -> tuple[type["Handle"], tuple[object, ...]]:
        return Handle, (self.handle.path, self.handle.shape, self.handle.dtype)


@dataclass(frozen=True)
class Handle:
    """What another process needs in order to open a shared array."""

    path: str
    shape: tuple[int, ...]
    dtype: np.dtype[np.generic]

    def open(self) -> NDArray[np.generic]:
        """The array, to be read only. Raises OSError when the one who shared it is gone."""
        content = mapped(os.open(self.path, os.O_RDONLY | os.O_CLOEXEC))
        return np.frombuffer(content, self.dtype).reshape(self.shape)


class NotComputed(Exception):
    """The worker did not come to an answer; the next call finds a new one."""

    def __init__(self, function: str, reason: str) -> None:
        super().__init__(f"{function}: {reason}")
        self.function, self.reason = function, reason


class Workers:
    """In processes beside the daemon. Use as a context manager, which starts them.

    Large arrays are handed over in shared memory: a frame pickled would hold the interpreter, and
    the event loop with it, for as long as it takes to copy it several times.

    A call that has no answer after `deadline_s` real seconds ends with its worker. A pool that
    lost a worker is replaced.
    """

    def __init__(self, processes: int = 1, deadline_s: float = 60.0) -> None:
        self._processes, self._deadline_s = processes, deadline_s
        self._pool = _pool(processes)
        self._given: set[object] = set()

    def __enter__(self) -> Self:
        give_frames_back()
        # Here and not by the first call, which would wait for a process to start on the loop.
        for _ in range(self._processes):
            self._pool.submit(os.getpid)
        return self

    def __exit__(self, *_: object) -> None:
        if self._given:  # nobody waits for them any more
            _kill(self._pool)
        self._pool.shutdown(cancel_futures=True)

    async def __call__(self, function: Callable[[*Ts], T], *arguments: *Ts) -> T:
        """Raises what the function raises, and NotComputed when its worker dies or hangs."""
        pool = self._pool
        try:
            return await self._run(pool, function, arguments)
        except BrokenProcessPool:
            if pool is self._pool:
                self._pool = _pool(self._processes)
                await asyncio.to_thread(pool.shutdown)
        # Whoever was in line with the call that the worker died of is lost with it, so that each
        # is made again, and apart from all others.
        apart = _pool(1)
        try:
            return await self._run(apart, function, arguments)
        except BrokenProcessPool:
            reason = f"its worker died, or gave no answer in {self._deadline_s:g} s"
            raise NotComputed(function.__name__, reason) from None
        finally:
            _kill(apart)
            await asyncio.to_thread(apart.shutdown)

    async def _run(
        self,
        pool: ProcessPoolExecutor,
        function: Callable[..., T],
        arguments: tuple[object, ...],
    ) -> T:
        given = [
            await asyncio.to_thread(SharedArray, one)
            if isinstance(one, np.ndarray) and one.nbytes >= LEAST_BYTES
            else one
            for one in arguments
        ]
        # The pool holds on to what is given until the worker is done, also when this is cancelled.
        running = pool.submit(_with_arrays, function, *given)
        del given
        self._given.add(running)
        running.add_done_callback(self._given.discard)
        # A timer of the machine's own: the loop's seconds may be shorter than real ones.
        timer = threading.Timer(self._deadline_s, _kill, [pool])
        timer.daemon = True
        timer.start()
        running.add_done_callback(lambda _: timer.cancel())
        return await asyncio.wrap_future(running)


def _pool(processes: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(
        processes, multiprocessing.get_context("forkserver"), initializer=_begin
    )


def _begin() -> None:
    """What a worker does first."""
    end_with_parent()
    give_frames_back()


def _kill(pool: ProcessPoolExecutor) -> None:
    """End a pool's workers; it then sees that it is broken, and says so to all who wait."""
    workers = pool._processes or {}  # noqa: SLF001  # Python 3.14 has a public name for it
    for worker in list(workers.values()):
        worker.kill()


def _with_arrays(function: Callable[..., T], *given: object) -> T:
    return function(*(one.open() if isinstance(one, Handle) else one for one in given))
