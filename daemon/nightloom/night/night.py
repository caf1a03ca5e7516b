"""One night: does what each phase says, lets the stronger interrupt the weaker, and always ends."""

import asyncio
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime
from typing import Any

from nightloom.crew.guard import GuardRefusal, WrongSide
from nightloom.night.acquire import acquire
from nightloom.night.context import Context
from nightloom.night.cross import cross
from nightloom.night.gather import gather
from nightloom.night.interrupts import (
    Clouded,
    Dawn,
    Interrupt,
    Operator,
    TurnedTooFar,
    Unsafe,
    Watcher,
    unless,
)
from nightloom.night.phases import Next, Phase
from nightloom.night.ready import ready
from nightloom.night.retire import retire, strand
from nightloom.night.shelter import shelter
from nightloom.programme.costs import Stopwatch
from nightloom.telemetry.events import (
    CloudHold,
    DeviceTrouble,
    NightBegun,
    NightEnded,
    OperatorAsked,
    Restarted,
    UnexpectedError,
    WeatherUnsafe,
)
from nightloom_drivers.errors import DeviceError, DeviceGone

Work = Callable[[Context], Coroutine[Any, Any, Next]]
Watch = Callable[[Context], Watcher]

TROUBLES_MAX = 6
"""So much trouble within TROUBLE_SPAN_S, and the night is given up rather than the rig worn out."""

TROUBLE_SPAN_S = 3600.0

BACK_OFF_S = 5.0
"""Rest after trouble, times the number of troubles: drivers need seconds to be born again."""


async def unsafe(context: Context) -> None:
    """Raise Unsafe when the weather is; a lost link is the link's trouble, not the weather's."""
    weather = context.rig.weather
    if weather is None:
        return
    report = await weather.until_unsafe()
    if not context.rig.link.connected:
        raise DeviceGone(weather.device, "CONNECTION", asked="its readings", seen="no link")
    raise Unsafe("; ".join(report.reasons))


async def operator(context: Context) -> None:
    """Raise Operator when a person asks for the end."""
    await context.stop.wait()
    raise Operator("a person asked for the end of the night")


async def dawn(context: Context) -> None:
    """Raise Dawn when the dark hours are over, and a frame that ended with them has come down."""
    download_s = context.settings.observatory.camera.download_deadline_s
    await context.sleep_until(context.programme.dark.end_unix_s + download_s)
    raise Dawn("the dark hours are over")


async def clouded(context: Context) -> None:
    """Raise Clouded when too few stars are left."""
    raise Clouded(await context.lookout.until_clouded())


async def guided(context: Context) -> None:
    """Raise what ended the guide loop."""
    await context.guiding.watch()


async def turned(context: Context) -> None:
    """Raise TurnedTooFar when tracking has led to the last hour angle of this side of the pier."""
    try:
        await context.guard.until_limit()
    except WrongSide as limit:
        raise TurnedTooFar(str(limit)) from limit


PHASES: dict[Phase, tuple[Work, tuple[Watch, ...]]] = {
    Phase.READYING: (ready, (operator, dawn)),
    Phase.ACQUIRING: (acquire, (unsafe, operator, dawn, turned)),
    Phase.GATHERING: (gather, (unsafe, operator, dawn, turned, clouded, guided)),
    Phase.CROSSING: (cross, (unsafe, operator, dawn)),
    Phase.SHELTERING: (shelter, (operator, dawn, turned, guided)),
    Phase.RETIRING: (retire, ()),
    Phase.STRANDED: (strand, ()),
}
"""What each phase does, and what may cut into it."""


_AFTER_MISTAKE = {
    **dict.fromkeys(Phase, Phase.RETIRING),
    Phase.RETIRING: Phase.STRANDED,
}
"""Where a mistake of the daemon leads: to parked and closed, however often it is made."""


class Night:
    """Runs one night from readying to asleep; what it gathers may be something else than subs."""

    def __init__(self, context: Context, gathering: Work = gather) -> None:
        self._context = context
        self._gathering = gathering
        self._troubles_s: list[float] = []

    async def run(self) -> None:
        """Go through the night. Whatever happens, it ends parked and closed, or goes on trying.

        Raises, after that, what nobody had expected: a mistake in the daemon.
        """
        with self._context.log.listen(Stopwatch(self._context.ledger).observe):
            await self._run()

    async def _run(self) -> None:
        self._begin()
        async with asyncio.TaskGroup() as group:
            self._context.guiding.begin(group)
            mistake = await self._until_asleep()
        self._end()
        if mistake is not None:
            raise mistake

    async def _until_asleep(self) -> Exception | None:
        """Go from phase to phase; the first mistake of the daemon on the way, if there was one."""
        context = self._context
        mistake: Exception | None = None
        context.intake.start()
        following = Next(Phase.READYING, "dusk")
        try:
            while following.phase is not Phase.ASLEEP:
                context.phases.move(*following)
                try:
                    following = await self._phase(following.phase)
                except Exception as error:  # noqa: BLE001  # raised again once all is closed
                    mistake = mistake or error
                    context.log.emit(UnexpectedError(kind=type(error).__name__, text=str(error)))
                    following = Next(_AFTER_MISTAKE[context.phases.now], "a mistake in the daemon")
            context.phases.move(*following)
        finally:
            await context.guiding.stop("the night ends")
            context.intake.stop()
        return mistake

    async def _phase(self, phase: Phase) -> Next:
        """Do a phase's work under its watchers, and turn what cut it short into the next phase."""
        context, (work, watches) = self._context, PHASES[phase]
        if phase is Phase.GATHERING:
            work = self._gathering
        watchers = [watch(context) for watch in watches]
        if phase not in (Phase.RETIRING, Phase.STRANDED):
            watchers.append(context.intake.watch())  # parking and closing need no disk
        try:
            return await unless(watchers, work(context))
        except Unsafe as reason:
            context.holding = False
            context.log.emit(WeatherUnsafe(reasons=[str(reason)]))
            return Next(Phase.SHELTERING, str(reason))
        except Clouded as reason:
            context.holding = True
            context.log.emit(CloudHold(star_fraction=context.lookout.transparency))
            return Next(Phase.SHELTERING, str(reason))
        except TurnedTooFar as reason:
            context.holding = False
            return Next(Phase.READYING, str(reason))
        except Operator as reason:
            context.log.emit(OperatorAsked(request="retire", origin="signal"))
            return Next(Phase.RETIRING, str(reason))
        except Interrupt as reason:
            return Next(Phase.RETIRING, str(reason))
        except (DeviceError, GuardRefusal) as error:
            return await self._trouble(phase, error)

    async def _trouble(self, phase: Phase, error: DeviceError | GuardRefusal) -> Next:
        """Decide what to do about a device: make ready again, and give up after too many."""
        now_s = self._context.clock.unix_s()
        self._troubles_s = [at for at in self._troubles_s if now_s - at < TROUBLE_SPAN_S] + [now_s]
        count = len(self._troubles_s)
        following = _after_trouble(phase, count, str(error))
        if isinstance(error, DeviceError):
            self._context.log.emit(DeviceTrouble.of(error, following.phase))
        await asyncio.sleep(BACK_OFF_S * count)
        return following

    def _begin(self) -> None:
        """Open the night's record; what an earlier run left unfinished counts nowhere."""
        context, dark = self._context, self._context.programme.dark
        unfinished = context.ledger.unfinished()
        for intent in unfinished:
            context.ledger.finish(intent.id, "the daemon had ended", context.clock.now())
        context.log.emit(
            NightBegun(
                night=str(context.programme.night),
                observatory=context.settings.observatory.name,
                dark_begins_utc=_utc(dark.start_unix_s),
                dark_ends_utc=_utc(dark.end_unix_s),
                seed=context.seed,
            )
        )
        if unfinished:
            acts = [f"{intent.kind} {intent.detail}" for intent in unfinished]
            context.log.emit(Restarted(night=str(context.programme.night), unfinished=acts))
        context.focusing.begin()

    def _end(self) -> None:
        context = self._context
        frames = context.ledger.frames(night=str(context.programme.night))
        kept = sum(frame.verdict == "accepted" for frame in frames)
        context.log.emit(
            NightEnded(
                night=str(context.programme.night),
                dark_s=context.programme.dark.duration_s,
                open_s=sum(frame.exposure_s for frame in frames),
                kept=kept,
                rejected=len(frames) - kept,
            )
        )


def _after_trouble(phase: Phase, count: int, why: str) -> Next:
    if phase is Phase.RETIRING:
        return Next(Phase.STRANDED if count > TROUBLES_MAX else Phase.RETIRING, why)
    return Next(Phase.RETIRING if count > TROUBLES_MAX else Phase.READYING, why)


def _utc(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
