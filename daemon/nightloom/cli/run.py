"""`nightloom run`: the daemon in the foreground, night after night, as systemd starts it."""

import argparse
import asyncio
import os
import signal
import sys
from contextlib import ExitStack
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.date import DateTrigger

from nightloom.arithmetic import Threads, Workers
from nightloom.cli.answers import DONE
from nightloom.cli.check_devices import check_devices
from nightloom.cli.configuration import add_config, settings_of
from nightloom.errors import BadInput
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.night.assembly import build_context
from nightloom.night.gather import gather
from nightloom.night.night import Night
from nightloom.night.table import Work
from nightloom.programme.programme import Programme, ready_from_s
from nightloom.programme.prospect import NoDarkness, darkness
from nightloom.rig import assemble, safety_devices
from nightloom.settings import Settings, SettingsError
from nightloom.sky import night_of
from nightloom.solving import CatalogueSolver, FieldSolver, Solver
from nightloom.telemetry import Log
from nightloom.telemetry.events import NightArmed
from nightloom_drivers.catalogue import tycho2
from nightloom_drivers.clock import Clock, WallClock
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.link import Link
from nightloom_drivers.link.indi import IndiLink

PATIENCE_S = 10.0
"""How long a configured device may take to show itself when the daemon starts."""

NIGHTS_AHEAD = 400
"""Somewhere within a year there is a dark night, or the settings ask for a wrong one."""

STOPPED_AT_ONCE = 130


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of this command."""
    add_config(parser)
    parser.add_argument(
        "--nights", type=int, metavar="N", help="end after so many nights (default: never)"
    )


def run(arguments: argparse.Namespace) -> int:
    """Run until a person asks for the end: Ctrl-C parks and closes, a third one stops at once."""
    if arguments.nights is not None and arguments.nights < 1:
        raise BadInput(f"--nights {arguments.nights} must be 1 or more.")
    settings = settings_of(arguments)
    make_writable(settings.observatory.output_folder)
    with Workers() as workers:
        return asyncio.run(stay_up(settings, workers, arguments.nights))


async def stay_up(
    settings: Settings, workers: Workers, nights: int | None, gathering: Work = gather
) -> int:
    """Connect to the configured rig and run nights on it. Raises BadInput or SettingsError."""
    clock = WallClock()
    log = Log(clock, echo=sys.stderr)
    stop = _stoppable()
    server = settings.observatory.server
    with ExitStack() as stack:
        ledger = stack.enter_context(Ledger(settings.observatory.output_folder / FILE_NAME))
        stack.callback(log.close)
        link = IndiLink(server.host, server.port)
        try:
            await link.open()
        except DeviceGone:
            where = f"{server.host}:{server.port}"
            raise BadInput(
                f"No INDI server answers at {where}; start it, or correct [server] in"
                " observatory.toml."
            ) from None
        try:
            problems = await check_devices(settings, link, patience_s=PATIENCE_S)
            if problems:
                raise SettingsError(problems)
            daemon = Daemon(settings, link, ledger, log, clock, workers, stop, gathering)
            await daemon.stay_up(nights)
        finally:
            await link.close()
    return DONE


class Daemon:
    """Arms each night at its own dusk, and joins one that is already running."""

    def __init__(
        self,
        settings: Settings,
        link: Link,
        ledger: Ledger,
        log: Log,
        clock: Clock,
        workers: Workers,
        stop: asyncio.Event,
        gathering: Work = gather,
    ) -> None:
        self._settings, self._link, self._ledger, self._log = settings, link, ledger, log
        self._clock, self._workers, self._stop = clock, workers, stop
        self._gathering = gathering
        self._solver = _solver(settings, workers)

    async def stay_up(self, nights: int | None) -> None:
        """Run `nights` nights, or one after another until a person asks for the end."""
        scheduler = AsyncIOScheduler(timezone=UTC)
        scheduler.start()
        done = 0
        try:
            while not self._stop.is_set() and (nights is None or done < nights):
                night = self._next_night()
                if await self._dusk(scheduler, night):
                    await self._run(night)
                    done += 1
        finally:
            scheduler.shutdown(wait=False)

    def _next_night(self) -> date:
        """The first night from now on that gets dark and is not over. Raises BadInput."""
        now_s = self._clock.unix_s()
        first = night_of(now_s, self._settings.observatory.site.place)
        for ahead in range(NIGHTS_AHEAD):
            night = first + timedelta(days=ahead)
            try:
                if darkness(self._settings, night).end_unix_s > now_s:
                    return night
            except NoDarkness:
                continue
        raise BadInput("policies.toml asks for a darkness that never comes at this site.")

    async def _dusk(self, scheduler: AsyncIOScheduler, night: date) -> bool:
        """Wait for the night's readying time; False when a person asked for the end first."""
        starts_s = ready_from_s(self._settings, darkness(self._settings, night))
        starts = datetime.fromtimestamp(max(starts_s, self._clock.unix_s()), UTC)
        self._log.emit(NightArmed(night=str(night), begins_utc=starts))
        dusk = asyncio.Event()
        scheduler.add_job(dusk.set, DateTrigger(starts), misfire_grace_time=None)
        waits = [asyncio.create_task(event.wait()) for event in (dusk, self._stop)]
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        for wait in waits:
            wait.cancel()
        scheduler.remove_all_jobs()
        return not self._stop.is_set()

    async def _run(self, night: date) -> None:
        output = self._settings.observatory.output_folder
        self._log.write_to(output / "logs" / f"{night}.jsonl")
        context = build_context(
            self._settings,
            assemble(self._link, self._settings.observatory, self._clock),
            safety_devices(self._link, self._settings.observatory, self._clock),
            Programme(self._settings, night, self._clock, self._ledger),
            frames_folder=output / "frames",
            ledger=self._ledger,
            log=self._log,
            clock=self._clock,
            solver=self._solver,
            compute=self._workers,
            store=Threads(),
            stop=self._stop,
        )
        await Night(context, self._gathering).run()


def _solver(settings: Settings, workers: Workers) -> Solver:
    """The solver that the settings ask for. Raises BadInput when it cannot be had."""
    said = settings.observatory.solver
    if said.kind == "astrometry":
        return FieldSolver(deadline_s=said.deadline_s)
    catalogue = tycho2()
    if catalogue is None:
        raise BadInput(
            'observatory.toml: solver.kind "catalogue" needs the star catalogue of Debian\'s'
            " package astrometry-data-tycho2, which is not installed."
        )
    return CatalogueSolver(catalogue, workers)


def _stoppable() -> asyncio.Event:
    """Set by the first Ctrl-C or SIGTERM; the second warns, and a third stops at once."""
    stop = asyncio.Event()
    count = 0

    def signalled() -> None:
        nonlocal count
        count += 1
        if count == 1:
            print("Parking and closing; this takes a few minutes.", file=sys.stderr)
            stop.set()
        elif count == 2:
            print(
                "Still parking and closing. Once more stops at once and leaves the rig as it is.",
                file=sys.stderr,
            )
        else:
            os._exit(STOPPED_AT_ONCE)

    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, signalled)
    return stop


def make_writable(folder: Path) -> None:
    """Raise BadInput when frames could not be written there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / ".writable"
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise BadInput(
            f"observatory.toml: output_folder {folder} cannot be written: {error.strerror}."
        ) from None
