"""The observer of a rig that lives in a process of its own, and what it tells at the end."""

import asyncio
import multiprocessing
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from multiprocessing.connection import Connection
from typing import Self

from nightloom.rehearsal.observer import Finding, Observer, Shot, TakenSub
from nightloom.settings import Settings
from nightloom_drivers.clock import Clock
from nightloom_drivers.serve import Options, serve
from nightloom_drivers.simulators.rig import Rig


class Witness:
    """The near end of a pipe to an observer in the process of the rig."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings

    def __enter__(self) -> Self:
        self._ours, self._theirs = multiprocessing.get_context("spawn").Pipe()
        return self

    def __exit__(self, *_: object) -> None:
        self._ours.close()
        self._theirs.close()

    @property
    def serve(self) -> Callable[[Options, tuple[str, int]], int]:
        """What that process is to run."""
        return partial(_serve_observed, self._settings, self._theirs)

    async def told(self) -> tuple[list[Finding], list[TakenSub], list[Shot]]:
        """The night is over: ask what was seen. Raises EOFError when the process has died."""
        self._theirs.close()
        self._ours.send("the night is over")
        findings, subs, shots = await asyncio.to_thread(self._ours.recv)
        return findings, subs, shots


def _serve_observed(
    settings: Settings, pipe: Connection, options: Options, address: tuple[str, int]
) -> int:
    return serve(options, address, partial(_observed, settings, pipe))


@asynccontextmanager
async def _observed(
    settings: Settings, pipe: Connection, rig: Rig, clock: Clock
) -> AsyncIterator[None]:
    """Observe a rig while it is served, until somebody asks."""
    observer = Observer(settings, rig.world, lambda: rig.simulators, clock)
    asked = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_reader(pipe.fileno(), asked.set)

    async def tell() -> None:
        async with observer.watching():
            await asked.wait()
        loop.remove_reader(pipe.fileno())
        pipe.send((observer.findings, observer.subs, observer.shots))

    telling = asyncio.create_task(tell())
    try:
        yield
    finally:
        telling.cancel()
        await asyncio.wait([telling])
    if not telling.cancelled():
        telling.result()
