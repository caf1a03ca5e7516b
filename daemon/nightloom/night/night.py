"""One night: does what each phase says, lets the stronger interrupt the weaker, and always ends."""

import asyncio
from datetime import UTC, datetime
from functools import partial

from nightloom.ledger import in_time
from nightloom.night.context import Context
from nightloom.night.gather import gather
from nightloom.night.interrupts import WATCHES, Cut, cut_of, unless
from nightloom.night.phases import Next, Phase
from nightloom.night.table import NIGHT, Phases, Work, watched
from nightloom.schedule.costs import Stopwatch
from nightloom.telemetry.events import (
    CloudHold,
    DeviceTrouble,
    NightBegun,
    NightEnded,
    OperatorAsked,
    PersonNeeded,
    Restarted,
    UnexpectedError,
    WeatherUnsafe,
)
from nightloom_drivers.errors import DeviceError

TROUBLES_MAX = 6
"""So much trouble within TROUBLE_SPAN_S, and the night is given up rather than the rig worn out."""

TROUBLE_SPAN_S = 3600.0

BACK_OFF_S = 5.0
"""Rest after trouble, times the number of troubles: drivers need seconds to start again."""

ENDED = "ended"
"""Outcome of a night that is over, and is not to begin again."""

LEFT = "left by a person"
"""Outcome of a night that a person ended: a daemon that is started again goes on with it."""


class Night:
    """Runs one night from readying to asleep; what it gathers may be something else than subs."""

    def __init__(self, context: Context, gathering: Work = gather) -> None:
        self._context = context
        self._phases = Phases(context.log)
        self._gathering = gathering
        self._troubles_s: list[float] = []
        self._failure: Exception | None = None
        self._outcome = ENDED

    async def run(self) -> None:
        """Go through the night. Whatever happens, it ends parked and closed, or goes on trying.

        Raises, after that, what ended it otherwise than nights end: a mistake in the daemon, or a
        disk that takes nothing more.
        """
        context = self._context
        with context.log.listen(Stopwatch(context.ledger).observe):
            async with asyncio.TaskGroup() as crew:
                context.guiding.begin(crew)
                context.pipeline.begin(crew)
                record = await self._begin()
                await self._go_through()
                await context.guiding.stop("the night ends")
                context.pipeline.stop()
            await self._end(record)
        if self._failure is not None:
            raise self._failure

    async def _go_through(self) -> None:
        phases = self._phases
        following: Next[Phase] = Next(Phase.READYING, "dusk")
        while following.phase is not Phase.ASLEEP:
            phases.move(*following)
            following = await self._phase(following.phase)
        phases.move(*following)

    async def _phase(self, phase: Phase) -> Next[Phase]:
        """Do a phase's work under its watchers, and turn what cut it short into the next phase."""
        context, row = self._context, NIGHT[phase]
        work = self._gathering if phase is Phase.GATHERING else row.work
        try:
            if phase is Phase.READYING:  # its loop may be what failed; nothing is held from there
                await context.guiding.stop("the rig is made ready")
            following = await unless([WATCHES[cut](context) for cut in watched(row)], work(context))
            if following.phase not in row.leads:
                raise AssertionError(f"{phase} led to {following.phase}, which its row lacks")
        except Exception as error:  # noqa: BLE001  # the table knows where each leads
            return await self._cut(phase, error)
        return following

    async def _cut(self, phase: Phase, error: Exception) -> Next[Phase]:
        """Tell of what cut a phase short, and where that leads by the table."""
        context, cuts, reason = self._context, NIGHT[phase].cuts, str(error)
        cut = cut_of(error) if cut_of(error) in cuts else Cut.MISTAKE
        after = cuts[cut]
        match cut:
            case Cut.MISTAKE:
                self._failure = self._failure or error
                context.log.emit(UnexpectedError(kind=type(error).__name__, text=reason))
                reason = "a mistake in the daemon"
            case Cut.UNSAFE:
                context.log.emit(WeatherUnsafe(reasons=[reason]))
            case Cut.CLOUD:
                monitor = context.cloud_monitor
                context.log.emit(CloudHold(star_fraction=monitor.transparency, cause=monitor.cause))
            case Cut.OPERATOR:
                self._outcome = LEFT
                context.log.emit(OperatorAsked(request="retire", origin="signal"))
            case Cut.UNKEPT:
                self._failure = self._failure or error
                context.log.emit(UnexpectedError(kind=type(error).__name__, text=reason))
            case Cut.NOT_SAFE:
                context.log.emit(PersonNeeded(reason=reason))
            case Cut.TROUBLE:
                after = await self._trouble(after, error)
        return Next(after, reason)

    async def _trouble(self, after: Phase, error: Exception) -> Phase:
        """Rest after trouble with a device, and give the night up after too much of it."""
        now_s = asyncio.get_running_loop().time()
        self._troubles_s = [at for at in self._troubles_s if now_s - at < TROUBLE_SPAN_S] + [now_s]
        count = len(self._troubles_s)
        if after is Phase.READYING and count > TROUBLES_MAX:
            after = Phase.RETIRING
        if isinstance(error, DeviceError):
            self._context.log.emit(DeviceTrouble.of(error, after))
        if after is Phase.READYING:
            await self._rest(BACK_OFF_S * count)
        return after

    async def _rest(self, for_s: float) -> None:
        """Let the drivers start again, unless the weather or a person asks for more."""
        watches = [WATCHES[cut](self._context) for cut in (Cut.UNSAFE, Cut.OPERATOR)]
        try:
            await unless(watches, asyncio.sleep(for_s))
        except Exception as error:  # the next phase watches for it as well
            if cut_of(error) is Cut.MISTAKE:
                raise

    async def _begin(self) -> int:
        """Open the night's record; what an earlier run left unfinished counts nowhere."""
        context, dark = self._context, self._context.schedule.dark
        unfinished = context.ledger.unfinished()
        for intent in unfinished:
            over = partial(context.ledger.finish, intent.id, "the daemon had ended")
            await in_time(partial(over, context.clock.now()))
        night = str(context.schedule.night)
        begin = partial(context.ledger.begin, "night", {"night": night}, context.clock.now())
        record = await in_time(begin)
        context.log.emit(
            NightBegun(
                night=night,
                observatory=context.settings.observatory.name,
                dark_begins_utc=_utc(dark.start_unix_s),
                dark_ends_utc=_utc(dark.end_unix_s),
                seed=context.seed,
            )
        )
        subs = context.pipeline.recover()
        if unfinished or subs:
            acts = [f"{intent.kind} {intent.detail}" for intent in unfinished]
            acts += [f"sub {sub.uid} {sub.stage}" for sub in subs]
            context.log.emit(Restarted(night=night, unfinished=acts))
        context.focusing.begin()
        return record

    async def _end(self, record: int) -> None:
        context = self._context
        night = str(context.schedule.night)
        frames = context.ledger.frames(night=night)
        accepted = sum(frame.verdict == "accepted" for frame in frames)
        ended = partial(context.ledger.finish, record, self._outcome, context.clock.now())
        await in_time(ended)
        context.log.emit(
            NightEnded(
                night=night,
                dark_s=context.schedule.dark.duration_s,
                open_s=sum(frame.exposure_s for frame in frames),
                accepted=accepted,
                rejected=len(frames) - accepted,
            )
        )


def _utc(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
