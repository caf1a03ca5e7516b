"""In the morning: has each night's report written beside whatever comes next."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import date

from nightloom.report.apart import NotWritten, write_apart
from nightloom.report.looking_up import Sources
from nightloom.report.writing import report_file
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import ReportFailed, ReportWritten
from nightloom.telemetry.nights import log_file
from nightloom_drivers.clock import Clock


class Mornings:
    """Reports under way: each a process of its own, which nothing waits for but the very end."""

    def __init__(self, log: Log, clock: Clock) -> None:
        self._log, self._clock = log, clock
        self._tasks: set[asyncio.Task[None]] = set()

    def begin(self, night: date, settings: Settings) -> None:
        """Have the report of a night that is over written; what comes of it is an event."""
        task = asyncio.create_task(self._write(night, settings))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    @asynccontextmanager
    async def finished(self, stop: asyncio.Event) -> AsyncIterator[None]:
        """What is under way at the block's end is waited for, until `stop` is set, and ended then.

        After an error it is ended at once.
        """
        try:
            yield
            stopped = asyncio.ensure_future(stop.wait())
            while self._tasks and not stop.is_set():
                await asyncio.wait({*self._tasks, stopped}, return_when=asyncio.FIRST_COMPLETED)
            stopped.cancel()
        finally:
            under_way = list(self._tasks)
            for task in under_way:
                task.cancel()
            await asyncio.gather(*under_way, return_exceptions=True)

    async def _write(self, night: date, settings: Settings) -> None:
        folder, began_s = settings.observatory.output_folder, self._clock.unix_s()
        sources = Sources.under(settings, night, log_file(folder, night))
        file = report_file(folder, night)
        try:
            said = await write_apart(sources, file)
        except NotWritten as error:
            self._log.emit(ReportFailed(night=str(night), reason=str(error)))
            return
        self._log.emit(
            ReportWritten(
                night=str(night),
                path=str(file),
                said=said.removesuffix("."),
                took_s=self._clock.unix_s() - began_s,
            )
        )
