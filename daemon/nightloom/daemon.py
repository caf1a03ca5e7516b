"""The service: makes the rig safe when it starts, then runs night after night.

The first thing a started daemon does is to be safe, whatever is missing and whatever the hour,
unless a night is under way that it can go on with; and it does not leave a rig that is not.
"""

import asyncio
from contextlib import ExitStack
from datetime import UTC, date, datetime, timedelta

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.date import DateTrigger

from nightloom.checks.devices import check_devices
from nightloom.errors import BadInput
from nightloom.executor import Threads, Workers
from nightloom.ledger import FILE_NAME, Ledger, LedgerError
from nightloom.night.assembly import build_context
from nightloom.night.gather import gather
from nightloom.night.night import ENDED, Night
from nightloom.night.table import Work
from nightloom.rig import assemble, safety_devices
from nightloom.rig_lock import rig_lock
from nightloom.safety import Acts, Guard, NotSafe, make_safe
from nightloom.schedule.schedule import Schedule, ready_from_s
from nightloom.schedule.windows import NoDarkness, darkness
from nightloom.settings import Problem, Settings, SettingsError
from nightloom.sky import night_of
from nightloom.solving import CatalogueSolver, FieldSolver, Solver
from nightloom.telemetry import Log
from nightloom.telemetry.events import NightArmed, PersonNeeded, ServerAwaited
from nightloom_drivers.catalogue import tycho2
from nightloom_drivers.clock import Clock, SteadyClock, WallClock
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.link.indi import IndiLink

PATIENCE_S = 10.0
"""How long a configured device may take to show itself when the daemon starts."""

SERVER_ANSWERS_S = 5.0
"""A server that is up answers within a second; between two tries a person may ask for the end."""

TRY_AGAIN_S = 60.0
"""Between two tries to make a rig safe that could not be."""

NIGHTS_AHEAD = 400
"""Somewhere within a year there is a dark night, or the settings ask for a wrong one."""


class LeftUnsafe(Exception):
    """A person asked for the end while the rig was not known to be parked and closed."""


async def stay_up(
    settings: Settings,
    workers: Workers,
    log: Log,
    stop: asyncio.Event,
    nights: int | None,
    gathering: Work = gather,
) -> None:
    """Make the configured rig safe, and run nights on it until `stop` is set.

    Raises BadInput or SettingsError for what cannot work, once the rig is safe; LeftUnsafe when
    it never was.
    """
    with ExitStack() as stack:
        stack.enter_context(rig_lock(settings.observatory))
        ledger, unread = _ledger(settings, stack)
        server = settings.observatory.server
        link = IndiLink(server.host, server.port, answer_s=SERVER_ANSWERS_S)
        await _opened(link, log, stop)
        try:
            daemon = Daemon(settings, link, ledger, log, WallClock(), workers, stop, gathering)
            await daemon.stay_up(nights, unread)
        finally:
            await link.close()


class Daemon:
    """Arms each night at its own dusk, and joins one that is already running."""

    def __init__(
        self,
        settings: Settings,
        link: IndiLink,
        ledger: Ledger | None,
        log: Log,
        clock: Clock,
        workers: Workers,
        stop: asyncio.Event,
        gathering: Work,
    ) -> None:
        self._settings, self._link, self._ledger, self._log = settings, link, ledger, log
        self._clock, self._workers, self._stop = clock, workers, stop
        self._gathering = gathering
        self._safety = safety_devices(link, settings.observatory, clock)

    async def stay_up(self, nights: int | None, unread: LedgerError | None) -> None:
        """Be safe, then run `nights` nights, or one after another until a person asks for the end.

        `unread` is why there is no ledger: without one no night is run.
        """
        try:
            problems: list[Problem] | None = None
            if unread is None and self._under_way():
                problems = await self._problems()
            if problems != []:
                await self._make_safe()
            if unread is not None:
                raise BadInput(f"{unread}.") from unread
            if problems is None:
                problems = await self._problems()
            if problems:
                raise SettingsError(problems)
            await self._run_nights(nights, _solver(self._settings, self._workers))
        finally:
            await self._make_safe()

    async def _run_nights(self, nights: int | None, solver: Solver) -> None:
        scheduler = AsyncIOScheduler(timezone=UTC)
        scheduler.start()
        done = 0
        try:
            while not self._stop.is_set() and (nights is None or done < nights):
                night = next_night(self._settings, self._ledger, self._clock.unix_s())
                if await self._dusk(scheduler, night):
                    await self._run(night, solver)
                    done += 1
        finally:
            scheduler.shutdown(wait=False)

    # Being safe -------------------------------------------------------------------------------

    async def _make_safe(self) -> None:
        """Park and close, and go on trying until it is done; a person may stop the trying only by
        stopping the process.
        """
        acts = Acts(self._ledger, self._clock, self._log)
        guard = Guard(self._settings, self._safety, acts, SteadyClock(self._clock), self._log)
        while True:
            try:
                return await make_safe(guard, self._log)
            except NotSafe as reason:
                self._log.emit(PersonNeeded(reason=str(reason)))
            await asyncio.sleep(TRY_AGAIN_S)

    async def _problems(self) -> list[Problem]:
        return await check_devices(self._settings, self._link, patience_s=PATIENCE_S)

    # Nights -----------------------------------------------------------------------------------

    def _under_way(self) -> bool:
        """Whether it is dark in a night that goes on."""
        night = next_night(self._settings, self._ledger, self._clock.unix_s())
        return ready_from_s(self._settings, darkness(self._settings, night)) <= self._clock.unix_s()

    async def _dusk(self, scheduler: AsyncIOScheduler, night: date) -> bool:
        """Wait for the night's readying time; False when a person asked for the end first."""
        starts_s = ready_from_s(self._settings, darkness(self._settings, night))
        starts = datetime.fromtimestamp(max(starts_s, self._clock.unix_s()), UTC)
        self._log.emit(NightArmed(night=str(night), begins_utc=starts))
        dusk = asyncio.Event()
        scheduler.add_job(dusk.set, DateTrigger(starts), misfire_grace_time=None)
        async with asyncio.TaskGroup() as group:
            waits = [group.create_task(event.wait()) for event in (dusk, self._stop)]
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            for wait in waits:
                wait.cancel()
        scheduler.remove_all_jobs()
        return not self._stop.is_set()

    async def _run(self, night: date, solver: Solver) -> None:
        assert self._ledger is not None
        output = self._settings.observatory.output_folder
        self._log.write_to(output / "logs" / f"{night}.jsonl")
        context = build_context(
            self._settings,
            assemble(self._link, self._settings.observatory, self._clock),
            self._safety,
            Schedule(self._settings, night, self._clock, self._ledger),
            frames_folder=output / "frames",
            ledger=self._ledger,
            log=self._log,
            clock=self._clock,
            solver=solver,
            compute=self._workers,
            store=Threads(),
            stop=self._stop,
        )
        await Night(context, self._gathering).run()


def next_night(settings: Settings, ledger: Ledger | None, now_s: float) -> date:
    """The first night from now on that gets dark and is not over, by the clock or by the record.

    Raises BadInput when there is none within a year.
    """
    last = ledger.last_act("night") if ledger is not None else None
    over = last.detail["night"] if last is not None and last.outcome == ENDED else ""
    first = night_of(now_s, settings.observatory.site.place)
    for ahead in range(NIGHTS_AHEAD):
        night = first + timedelta(days=ahead)
        try:
            if darkness(settings, night).end_unix_s > now_s and str(night) != over:
                return night
        except NoDarkness:
            continue
    raise BadInput("policies.toml asks for a darkness that never comes at this site.")


def _ledger(settings: Settings, stack: ExitStack) -> tuple[Ledger | None, LedgerError | None]:
    """The ledger, or why it cannot be had: the rig is made safe without one."""
    try:
        file = settings.observatory.output_folder / FILE_NAME
        return stack.enter_context(Ledger(file)), None
    except LedgerError as error:
        return None, error


async def _opened(link: IndiLink, log: Log, stop: asyncio.Event) -> None:
    """Open the link, however long its server takes to come up. Raises LeftUnsafe."""
    told = False
    while True:
        try:
            return await link.open()
        except DeviceGone as nobody:
            if not told:
                log.emit(ServerAwaited(reason=str(nobody)))
            told = True
        if stop.is_set():
            raise LeftUnsafe(
                "The INDI server never answered: whether the rig is parked and closed is not known."
            )


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
