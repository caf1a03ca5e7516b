"""One night: does what each phase says, lets the stronger interrupt the weaker, and always ends."""

import asyncio
from datetime import UTC, datetime
from functools import partial

from nightloom.faults import Act, Kind, Part, Row, Then, Troubles, between, kind_of, row_for, wait_s
from nightloom.frames.records import JudgedFrame
from nightloom.ledger import in_time
from nightloom.night.context import Context
from nightloom.night.gather import gather
from nightloom.night.interrupts import WATCHES, Cut, cut_of, marked, unless
from nightloom.night.left_over import ended_acts
from nightloom.night.mending import go_on_without, mend, part_of, tries_of
from nightloom.night.phases import Next, Phase
from nightloom.night.table import NIGHT, Phases, Work, watched
from nightloom.schedule.costs import Stopwatch
from nightloom.telemetry.events import (
    CloudHold,
    DeviceTrouble,
    GivenUp,
    NightBegun,
    NightEnded,
    OperatorAsked,
    PersonNeeded,
    Restarted,
    TroubleOver,
    UnexpectedError,
    WeatherUnsafe,
)
from nightloom_drivers.errors import DeviceError

RESTLESS = (Cut.UNSAFE, Cut.OPERATOR, Cut.PAUSE, Cut.DAWN, Cut.LIMIT)
"""What ends a rest after trouble; the next phase watches for it as well."""

UNKNOWN = (Part.GUARD, Kind.REFUSED)
"""What is said of a fault that the table does not name."""

ENDED = "ended"
"""Outcome of a night that is over, and is not to begin again."""

LEFT = "left by a person"
"""Outcome of a night that ended with its daemon: one that is started again goes on with it."""

GIVEN_UP = "given up"
"""Outcome of a night that trouble ended. Who mends the rig starts the daemon again, and has the
rest of the night; the daemon that gave it up does not begin it again.
"""


class Night:
    """Runs one night from readying to asleep; what it gathers may be something else than subs."""

    def __init__(self, context: Context, gathering: Work = gather) -> None:
        self._context = context
        context.calibration_over = gathering is not gather
        self._phases = Phases(context.log)
        self._gathering = gathering
        self._troubles = Troubles()
        self._troubled_utc = context.clock.now()
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
                context.pipeline.listen(self._recovered)
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
            following = await unless([marked(cut, context) for cut in watched(row)], work(context))
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
        if cut in (Cut.MISTAKE, Cut.OPERATOR, Cut.UNKEPT):
            context.calibration_over = True
        match cut:
            case Cut.MISTAKE:
                self._failure = self._failure or error
                context.log.emit(UnexpectedError(kind=type(error).__name__, text=reason))
                reason = "a mistake in the daemon"
            case Cut.UNSAFE:
                context.log.emit(WeatherUnsafe(reasons=[reason]))
            case Cut.CLOUD:
                monitor = context.cloud_monitor
                context.log.emit(
                    CloudHold(
                        star_fraction=monitor.transparency, cause=monitor.cause, reason=reason
                    )
                )
            case Cut.OPERATOR:
                if context.stop.is_set():
                    self._outcome = LEFT
                    context.log.emit(OperatorAsked(request="retire", origin="signal"))
            case Cut.UNKEPT:
                self._failure = self._failure or error
                context.log.emit(UnexpectedError(kind=type(error).__name__, text=reason))
            case Cut.NOT_SAFE:
                context.log.emit(PersonNeeded(reason=reason))
            case Cut.TROUBLE:
                after = await self._trouble(phase, after, error)
        return Next(after, reason)

    async def _trouble(self, phase: Phase, after: Phase, error: Exception) -> Phase:
        """Where trouble leads by the table of faults; before another try there is a rest.

        What fails while the rig is made safe, or once the lights are done, leads where the table of
        the night says, and is not counted with anything that was recovered from.
        """
        context = self._context
        if after is not Phase.READYING:
            self._tell(error, after.value)
            return after
        linked = context.rig.link.connected
        part = part_of(error, context.settings.observatory, linked=linked)
        row = row_for(Act.NIGHT, part, kind_of(error)) or row_for(Act.NIGHT, *UNKNOWN)
        assert row is not None
        self._troubles = self._troubles.met(part, asyncio.get_running_loop().time())
        self._troubled_utc, number = context.clock.now(), self._troubles.number(part)
        if number >= tries_of(context, part, row):
            return self._given_up(phase, part, row, error)
        self._tell(error, after.value)
        await self._rest(part, row, number)
        return after

    def _given_up(self, phase: Phase, part: Part, row: Row, error: Exception) -> Phase:
        """What follows the last try: the first of the row's that is possible."""
        number = self._troubles.number(part)
        then, after = self._possible(phase, part, row, error)
        if then is Then.RETIRE:
            self._outcome, self._context.calibration_over = GIVEN_UP, True
        self._tell(error, then.value, row.mend)
        self._context.log.emit(
            GivenUp(
                part=part.value, tries=number, reason=str(error), then=then.value, mend=row.mend
            )
        )
        return after

    def _possible(self, phase: Phase, part: Part, row: Row, error: Exception) -> tuple[Then, Phase]:
        for then in row.then:
            match then:
                case Then.WITHOUT if go_on_without(self._context, part, row, error):
                    return then, Phase.READYING
                case Then.TARGET if self._leave_target(phase):
                    return then, Phase.READYING
                case Then.SHELTER:
                    return then, Phase.SHELTERING
                case _:
                    continue
        return Then.RETIRE, Phase.RETIRING

    def _leave_target(self, phase: Phase) -> bool:
        """Set the target that was to be taken up aside; whether there is another one."""
        schedule = self._context.schedule
        target = schedule.choose()
        if target is None or phase is Phase.READYING:
            return False
        schedule.set_aside(target)
        return schedule.choose() is not None

    def _tell(self, error: Exception, next_step: str, mended_by: str = "") -> None:
        if isinstance(error, DeviceError):
            self._context.log.emit(DeviceTrouble.of(error, next_step, mended_by))

    def _recovered(self, frame: JudgedFrame) -> None:
        """A sub that was begun since came whole: what failed before counts for nothing."""
        if self._troubles.counts and frame.sub.begun_utc > self._troubled_utc:
            parts = [part.value for part in self._troubles.counts]
            self._context.log.emit(TroubleOver(parts=parts))
            self._troubles = self._troubles.recovered()

    async def _rest(self, part: Part, row: Row, number: int) -> None:
        """Let the drivers start again and mend what can be, unless something stronger comes."""
        watches = [WATCHES[cut](self._context) for cut in RESTLESS]

        async def rested() -> None:
            await asyncio.sleep(wait_s(row, number))
            await mend(self._context, part, between(row, number))

        try:
            await unless(watches, rested())
        except Exception as error:  # the next phase watches for it as well
            if cut_of(error) is Cut.MISTAKE:
                raise

    async def _begin(self) -> int:
        """Open the night's record; what an earlier run left unfinished counts nowhere."""
        context, dark = self._context, self._context.schedule.dark
        unfinished = await ended_acts(context.ledger, context.desk.keeps, context.clock)
        night = str(context.schedule.night)
        begin = partial(context.ledger.begin, "night", {"night": night}, context.clock.now())
        record = await in_time(begin)
        context.desk.recall()
        context.log.emit(
            NightBegun(
                night=night,
                observatory=context.settings.observatory.name,
                time_zone=context.settings.observatory.site.time_zone or "",
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
        context.desk.over()
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
