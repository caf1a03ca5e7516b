"""The service: makes the rig safe when it starts, then runs night after night.

The first thing a started daemon does is to be safe, whatever is missing and whatever the hour,
unless a night is under way that it can go on with; and it does not leave a rig that is not.

Long on purpose: a daemon's life, from its start to its end, is read in one place.
"""

import asyncio
from contextlib import ExitStack
from datetime import UTC, date, datetime

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.date import DateTrigger

from nightloom.errors import BadInput
from nightloom.executor import Threads, Workers
from nightloom.last_resort import guard_of, open_ledger
from nightloom.ledger import Ledger, LedgerError
from nightloom.night.assembly import build_context, solver_of
from nightloom.night.context import Context
from nightloom.night.desk import RETIRE, logged, noted
from nightloom.night.gather import gather
from nightloom.night.interrupts import first
from nightloom.night.left_over import settled
from nightloom.night.next_night import next_night
from nightloom.night.night import Night
from nightloom.night.phases import Phase
from nightloom.night.table import Work
from nightloom.night.telling import told_of_idle, told_of_night
from nightloom.notices.addresses import addresses
from nightloom.notices.notices import Notices
from nightloom.reaching import device_problems, opened
from nightloom.remote.server import remote
from nightloom.report.morning import Mornings
from nightloom.requests import Answer, Ask, Change, Done, Refused, Reload, Request, Retire, Told
from nightloom.requests.door import door
from nightloom.rereading import Asked, Reread, heeded, reloaded
from nightloom.rig import assemble, safety_devices
from nightloom.rig_lock import rig_lock
from nightloom.safety import Guard, NotSafe, make_safe
from nightloom.schedule.schedule import Schedule, ready_from_s
from nightloom.schedule.windows import darkness
from nightloom.settings import Problem, Settings, SettingsError
from nightloom.sky import night_of
from nightloom.solving import Solver
from nightloom.status import Account, Status
from nightloom.systemd import quiet_s_max, systemd_told
from nightloom.telemetry import Log
from nightloom.telemetry.events import NightArmed, PersonNeeded
from nightloom.telemetry.nights import go_on_in_newest, log_file
from nightloom.telemetry.outages import outages_told
from nightloom.upkeep import keep_up, midday, tell_of_missed
from nightloom_drivers.clock import Clock, WallClock
from nightloom_drivers.link.indi import IndiLink

SERVER_ANSWERS_S = 5.0
"""A server that is up answers within a second; between two tries a person may ask for the end."""

DUSK = "dusk"
"""Name of the job that waits for a night's beginning."""

TRY_AGAIN_S = 60.0
"""Between two tries to make a rig safe that could not be."""


async def stay_up(
    settings: Settings,
    workers: Workers,
    log: Log,
    asked: Asked,
    nights: int | None,
    gathering: Work = gather,
) -> None:
    """Make the configured rig safe, and run nights on it until a person asks for the end.

    Raises BadInput or SettingsError for what cannot work, once the rig is safe; LeftUnsafe when
    it never was.
    """
    with ExitStack() as stack:
        stack.enter_context(rig_lock(settings.observatory))
        ledger, unread = open_ledger(settings, stack)
        stop, clock = asked.stop, WallClock()
        server = settings.observatory.server
        link = IndiLink(server.host, server.port, answer_s=SERVER_ANSWERS_S)
        daemon = Daemon(settings, link, ledger, log, clock, workers, stop, gathering, asked.reread)
        stack.enter_context(log.listen(daemon.account.observe))
        where, daemon.refused = addresses(settings)
        said = settings.policies.notices
        notices = Notices(settings.observatory.name, said.events, where, log)
        output = settings.observatory.output_folder
        go_on_in_newest(log, output, night_of(clock.unix_s(), settings.observatory.site.place))
        async with (
            notices.sending(),
            door(output, daemon.answer, log),
            remote(settings, daemon.answer, log, clock),
            systemd_told(daemon.silence_s, log),
            heeded(asked.reload, daemon.reload),
            daemon.mornings.finished(stop),
        ):
            await opened(link, log, stop)
            try:
                async with outages_told(link, log):
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
        reread: Reread | None = None,
    ) -> None:
        self._settings, self._link, self._ledger, self._log = settings, link, ledger, log
        self._clock, self._workers, self._stop = clock, workers, stop
        self._gathering = gathering
        self._safety = safety_devices(link, settings.observatory, clock)
        self._guard: Guard | None = None
        """The guard that moved the rig last, but for that of a night under way."""
        self._night: Context | None = None
        self._begun: set[date] = set()
        """The nights that were begun here: what one of them was given up for is still there."""
        self._retire = asyncio.Event()
        """Set when a person asks between nights for the rig to be parked and closed."""
        self.account, self.mornings = Account(), Mornings(log, clock)
        self._reread: Reread = reread or (lambda: settings)
        self._reloaded = asyncio.Event()
        self.refused: list[Problem] = []
        """What is wrong besides the devices: no night begins with it."""

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
            await self._run_nights(nights, solver_of(self._settings, self._workers))
        finally:
            await self._make_safe()

    async def _run_nights(self, nights: int | None, solver: Solver) -> None:
        scheduler = AsyncIOScheduler(timezone=UTC)
        noon = midday(self._settings.observatory.site.longitude_deg)
        scheduler.add_job(self._keep_up, noon, misfire_grace_time=None)
        scheduler.start()
        if self._ledger is not None:
            tell_of_missed(self._settings, self._ledger, self._log, self._clock)
            if not self._under_way():
                await self._settle(self._ledger)
        try:
            while not self._stop.is_set() and (nights is None or len(self._begun) < nights):
                night = self._next_night()
                if await self._dusk(scheduler, night):
                    self._begun.add(night)
                    await self._run(night, solver)
        finally:
            scheduler.shutdown(wait=False)

    async def _settle(self, ledger: Ledger) -> None:
        """What a night that a crash cut short left, which goes on no more, and its report."""
        executors = self._workers, Threads()
        by = self._clock, self._log
        for night in await settled(self._settings, ledger, self._next_night(), *executors, *by):
            self.mornings.begin(night, self._settings)
        self.mornings.make_up(self._settings, ledger, self._next_night())

    async def _keep_up(self) -> None:
        """By day; where it is never day the night goes first."""
        if self._ledger is not None and self._night is None:
            keep_up(self._settings, self._ledger, self._log, self._clock)
            self.mornings.make_up(self._settings, self._ledger, self._next_night())

    # For persons ------------------------------------------------------------------------------

    def answer(self, request: Request, origin: str) -> Answer:
        """Tell what goes on, or put a request in force."""
        if isinstance(request, Ask):
            return Told(status=self._status())
        if isinstance(request, Reload):
            return self.reload(origin)
        if self._night is not None and self.account.phase != Phase.ASLEEP:
            return self._night.desk.take(request, origin)
        answer = self._between_nights(request)
        self._log.emit(logged(request, origin, answer))
        return answer

    def _between_nights(self, change: Change) -> Done | Refused:
        """A night that is due stays unbegun when a person says so before it has begun."""
        if not isinstance(change, Retire):
            return Refused(why="No night is under way.")
        self._retire.set()
        kept = ""
        if self._ledger is not None and self._under_way():
            night = self._next_night()
            kept = noted(self._ledger, RETIRE, {"night": str(night)}, self._clock.now())
        return Done(said=f"No night is under way; the rig is parked and closed.{kept}")

    def _status(self) -> Status:
        if self._night is not None and self.account.phase != Phase.ASLEEP:
            return told_of_night(self._night)
        now = self._clock.now()
        return told_of_idle(self._settings, self.account, self._ledger, self._guard, now)

    # Its configuration ------------------------------------------------------------------------

    def silence_s(self) -> float:
        """How long the night's work may say nothing at present."""
        night = [] if self._night is None else [self._night.settings]
        return max(map(quiet_s_max, (self._settings, *night)))

    def reload(self, origin: str = "signal") -> Done | Refused:
        """Take what may be taken of the configuration as it is now; say what was and was not."""
        when = "from now on" if self._night is None else "from the next night on"
        self._settings, answer = reloaded(self._settings, self._reread, when=when)
        self._reloaded.set()
        self._log.emit(logged(Reload(), origin, answer))
        return answer

    # Being safe -------------------------------------------------------------------------------

    async def _make_safe(self) -> None:
        """Park and close, and go on trying until it is done; a person may stop the trying only by
        stopping the process.
        """
        guard = guard_of(self._settings, self._safety, self._ledger, self._clock, self._log)
        self._guard = guard
        while True:
            try:
                return await make_safe(guard, self._log)
            except NotSafe as reason:
                self._log.emit(PersonNeeded(reason=str(reason)))
            await asyncio.sleep(TRY_AGAIN_S)

    async def _problems(self) -> list[Problem]:
        devices = await device_problems(self._settings, self._link, self._stop)
        return [*self.refused, *devices]

    # Nights -----------------------------------------------------------------------------------

    def _next_night(self) -> date:
        return next_night(self._settings, self._ledger, self._clock.unix_s(), self._begun)

    def _under_way(self) -> bool:
        """Whether it is dark in a night that goes on."""
        night = self._next_night()
        return ready_from_s(self._settings, darkness(self._settings, night)) <= self._clock.unix_s()

    async def _dusk(self, scheduler: AsyncIOScheduler, night: date) -> bool:
        """Wait for the night's readying time; False when something else is to be done first."""
        starts_s = ready_from_s(self._settings, darkness(self._settings, night))
        starts = datetime.fromtimestamp(max(starts_s, self._clock.unix_s()), UTC)
        self._log.emit(NightArmed(night=str(night), begins_utc=starts))
        dusk = asyncio.Event()
        scheduler.add_job(dusk.set, DateTrigger(starts), id=DUSK, misfire_grace_time=None)
        await first(dusk.wait(), self._stop.wait(), self._retire.wait(), self._reloaded.wait())
        if scheduler.get_job(DUSK) is not None:
            scheduler.remove_job(DUSK)
        if self._retire.is_set():
            self._retire.clear()
            await self._make_safe()
            return False
        if self._reloaded.is_set():  # dusk may come at another time
            self._reloaded.clear()
            return False
        return not self._stop.is_set()

    async def _run(self, night: date, solver: Solver) -> None:
        assert self._ledger is not None
        output = self._settings.observatory.output_folder
        self._log.write_to(log_file(output, night))
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
            account=self.account,
        )
        self._night = context
        try:
            await Night(context, self._gathering).run()
        finally:
            self._night, self._guard = None, context.guard
            self.mornings.begin(night, context.settings)
