"""Where heavy arithmetic is done: in line on virtual time, in worker processes otherwise.

The event loop must never stall while frames are measured, and a virtual clock cannot see other
processes; so whoever assembles the rig decides.
"""

import asyncio
import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from typing import Any, Protocol, Self, TypeVar

T = TypeVar("T")


class Arithmetic(Protocol):
    """Runs a plain function of picklable arguments and gives its result."""

    async def __call__(self, function: Callable[..., T], *arguments: Any) -> T:
        """Raises whatever the function raises."""
        ...


class InLine:
    """On the loop: exact on virtual time, which it charges a fixed `cost_s` for each call."""

    def __init__(self, cost_s: float = 0.0) -> None:
        self._cost_s = cost_s

    async def __call__(self, function: Callable[..., T], *arguments: Any) -> T:
        result = function(*arguments)
        await asyncio.sleep(self._cost_s)
        return result


class Threads:
    """In a thread: for what waits for the disk, and for calls that let go of the interpreter."""

    async def __call__(self, function: Callable[..., T], *arguments: Any) -> T:
        return await asyncio.to_thread(function, *arguments)


class Workers:
    """In processes beside the daemon. Use as a context manager."""

    def __init__(self, processes: int = 1) -> None:
        self._pool = ProcessPoolExecutor(
            processes, mp_context=multiprocessing.get_context("forkserver")
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)

    async def __call__(self, function: Callable[..., T], *arguments: Any) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._pool, function, *arguments)
