"""In the morning: has each night's report written beside whatever comes next.

A daemon that was stopped before a report was written has it written when it runs again.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import date, timedelta
from pathlib import Path

from nightloom.ledger import Ledger
from nightloom.report.apart import NotWritten, write_apart
from nightloom.report.looking_up import Sources
from nightloom.report.writing import report_file
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import ReportFailed, ReportWritten
from nightloom.telemetry.nights import log_file
from nightloom_drivers.clock import Clock

LOOKED_BACK = timedelta(days=7)
"""Reports of nights before that are left to `nightloom report`."""


def unreported(output_folder: Path, ledger: Ledger, before: date) -> list[date]:
    """Nights of the week before a date that were begun and have a log but no report."""
    begun = {date.fromisoformat(act.detail["night"]) for act in ledger.acts("night")}
    return [
        night
        for night in sorted(begun)
        if before - LOOKED_BACK <= night < before
        and log_file(output_folder, night).is_file()
        and not report_file(output_folder, night).is_file()
    ]


class Mornings:
    """Reports under way: each a process of its own, which nothing waits for but the very end.

    Only one runs at a time, and each night's is tried once.
    """

    def __init__(self, log: Log, clock: Clock) -> None:
        self._log, self._clock = log, clock
        self._tasks: set[asyncio.Task[None]] = set()
        self._tried: set[date] = set()
        self._one = asyncio.Lock()

    def make_up(self, settings: Settings, ledger: Ledger, before: date) -> None:
        """Have the reports written that nights before a date lack."""
        for night in unreported(settings.observatory.output_folder, ledger, before):
            if night not in self._tried:
                self.begin(night, settings)

    def begin(self, night: date, settings: Settings) -> None:
        """Have the report of a night that is over written; what comes of it is an event."""
        self._tried.add(night)
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
            async with self._one:
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
