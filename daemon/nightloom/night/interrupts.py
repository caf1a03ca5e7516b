"""What may cut into a phase, strongest first, who watches for it, and the one way it does.

    Mistake      the daemon's own
    Unsafe       the weather, or the station's silence
    Operator     a person asked for the end
    Dawn         the night's time is over
    Day          the Sun rises over a rig that is open
    NotSafe      the rig could not be parked and closed
    Unkept       frames or records cannot be written any more
    Trouble      a device did not do what it was asked, or the guard refused it
    TurnedTooFar this side of the pier allows no more
    Paused       a person asked for a pause
    Skipped      a person set the running target aside
    Clouded      guide stars faded or star counts collapsed

An interrupt is raised by a watcher that runs beside the phase's work, or by the work; the work is
then cancelled, never asked through a flag. A sub that is cancelled counts nowhere.
"""

import asyncio
from collections.abc import Callable, Coroutine, Iterator, Sequence
from enum import Enum
from typing import TypeVar

from nightloom.errors import FramesNotKept
from nightloom.executor import NotComputed
from nightloom.ledger import LedgerBusy, LedgerError
from nightloom.night.context import Context
from nightloom.safety import GuardRefusal, NotSafe, WrongSide
from nightloom_drivers.errors import DeviceError

T = TypeVar("T")

BEFORE_SUNRISE_DEG = 0.6
"""The Sun takes minutes for it: as long as parking and closing."""

LOOK_AT_SUN_S = 30.0

LAST_SUB_S = 60.0
"""A sub that ends within this may end before the night does: it is worth more than the minute."""


class Interrupt(Exception):
    """Something stronger than what was being done; its text is the reason."""


class Unsafe(Interrupt):
    """The weather, or the station's silence, asks for shelter."""


class Operator(Interrupt):
    """A person asked for the end of the night."""


class Dawn(Interrupt):
    """The night's time is over."""


class Day(Interrupt):
    """The Sun rises, and the rig is not parked and closed."""


class TurnedTooFar(Interrupt):
    """The telescope came to the last hour angle of its pier side; the mount was stopped."""


class Paused(Interrupt):
    """A person asked for a pause."""


class Skipped(Interrupt):
    """A person set the running target aside."""


class Clouded(Interrupt):
    """Too few of the expected stars are seen."""


class Cut(Enum):
    """What cuts into phases, strongest first, by the errors that tell of it."""

    MISTAKE = "a mistake of the daemon"
    UNSAFE = "unsafe weather"
    OPERATOR = "a person"
    DAWN = "dawn"
    DAY = "day"
    NOT_SAFE = "could not park or close"
    UNKEPT = "nothing can be written any more"
    TROUBLE = "device trouble"
    LIMIT = "a limit of the pier"
    PAUSE = "a pause"
    SKIP = "a target set aside by a person"
    CLOUD = "cloud"

    @property
    def rank(self) -> int:
        """0 for the strongest."""
        return list(Cut).index(self)


ERRORS: dict[Cut, tuple[type[Exception], ...]] = {
    Cut.UNSAFE: (Unsafe,),
    Cut.OPERATOR: (Operator,),
    Cut.DAWN: (Dawn,),
    Cut.DAY: (Day,),
    Cut.NOT_SAFE: (NotSafe,),
    Cut.TROUBLE: (DeviceError, GuardRefusal, NotComputed, LedgerBusy),
    Cut.UNKEPT: (FramesNotKept, LedgerError),
    Cut.LIMIT: (TurnedTooFar,),
    Cut.PAUSE: (Paused,),
    Cut.SKIP: (Skipped,),
    Cut.CLOUD: (Clouded,),
}
"""The first that fits: a ledger that is busy is not lost. Any other error is a mistake."""


def cut_of(error: BaseException) -> Cut:
    """What an error tells of."""
    return next((cut for cut, kinds in ERRORS.items() if isinstance(error, kinds)), Cut.MISTAKE)


# Watchers ---------------------------------------------------------------------------------------


async def unsafe(context: Context) -> None:
    """Raise Unsafe when the weather is, and the rig is not parked and closed."""
    raise Unsafe(await context.guard.until_exposed())


async def operator(context: Context) -> None:
    """Raise Operator when a person asks for the end, and no sub that may end is left."""
    await first(context.stop.wait(), _retired(context))
    raise Operator("a person asked for the end of the night")


async def _retired(context: Context) -> None:
    """Wait for the end to be asked for, and then for a sub that ends soon, unless told not to."""
    await context.desk.until_ended()
    left_s = context.shutter.left_s
    if left_s is not None and left_s <= LAST_SUB_S:
        await first(context.desk.until_now(), context.shutter.until_closed())


async def dawn(context: Context) -> None:
    """Raise Dawn when the dark hours are over, and a frame that ended with them has come down."""
    download_s = context.settings.observatory.camera.download_deadline_s
    await context.sleep_until(context.schedule.dark.end_unix_s + download_s)
    hours = "hours asked for" if context.schedule.cut_early else "dark hours"
    raise Dawn(f"the {hours} are over")


async def day(context: Context) -> None:
    """Raise Day when the Sun comes up over a rig that is not parked and closed.

    It must be safe before the guard would not open any more, so that it closes in time.
    """
    highest_deg = context.settings.policies.safety.sun_altitude_deg - BEFORE_SUNRISE_DEG
    while True:
        high = context.schedule.sun_altitude_deg(context.guard.later_s()) > highest_deg
        if high and not context.guard.is_safe:
            raise Day("the Sun rises")
        await asyncio.sleep(LOOK_AT_SUN_S)


async def trouble(context: Context) -> None:
    """Raise what ended the guide loop."""
    await context.guiding.watch()


async def unkept(context: Context) -> None:
    """Raise what ended the work on frames."""
    await context.pipeline.watch()


async def limit(context: Context) -> None:
    """Raise TurnedTooFar when tracking has led to the last hour angle of this side of the pier."""
    try:
        await context.guard.until_limit()
    except WrongSide as refusal:
        raise TurnedTooFar(str(refusal)) from refusal


async def paused(context: Context) -> None:
    """Raise Paused while a pause is in force."""
    raise Paused(f"a pause was asked for by {await context.desk.until_paused()}")


async def skipped(context: Context) -> None:
    """Raise Skipped when a person sets the running target aside."""
    await context.desk.until_skipped()
    raise Skipped("a person set the target aside")


async def clouded(context: Context) -> None:
    """Raise Clouded when too few stars are left."""
    raise Clouded(await context.cloud_monitor.until_clouded())


Watch = Callable[[Context], Coroutine[object, object, None]]

WATCHES: dict[Cut, Watch] = {
    Cut.UNSAFE: unsafe,
    Cut.OPERATOR: operator,
    Cut.DAWN: dawn,
    Cut.DAY: day,
    Cut.UNKEPT: unkept,
    Cut.TROUBLE: trouble,
    Cut.LIMIT: limit,
    Cut.PAUSE: paused,
    Cut.SKIP: skipped,
    Cut.CLOUD: clouded,
}
"""Who watches for it beside the work. Trouble is raised by the work as well."""


# How it cuts ------------------------------------------------------------------------------------

Watcher = Coroutine[object, object, None]


async def marked(cut: Cut, context: Context) -> None:
    """Watch for it; a sub that is open then knows what cut it short."""
    try:
        await WATCHES[cut](context)
    except Exception:
        context.shutter.cut_by = cut.value
        raise


async def unless(watchers: Sequence[Watcher], work: Coroutine[object, object, T]) -> T:
    """Do the work unless a watcher raises first; then cancel it, wait for it, and raise that.

    A watcher that returns is content. When several things were raised at once the strongest is.
    """
    try:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(watcher) for watcher in watchers]
            result = await group.create_task(work)
            for task in tasks:
                task.cancel()
            return result
    except BaseExceptionGroup as several:
        raise strongest(several) from several


async def first(*waits: Coroutine[object, object, object]) -> None:
    """Wait until one of these has come to its end; the others are cancelled, and waited for."""
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(wait) for wait in waits]
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in tasks:
            task.cancel()


def strongest(several: BaseExceptionGroup) -> BaseException:
    """The member that takes precedence."""
    return min(_members(several), key=lambda error: cut_of(error).rank)


def reason_of(error: BaseException) -> str:
    """What an error says, or the strongest of several; nothing where it was cancelled from afar."""
    return str(strongest(error) if isinstance(error, BaseExceptionGroup) else error)


def _members(group: BaseExceptionGroup) -> Iterator[BaseException]:
    for member in group.exceptions:
        if isinstance(member, BaseExceptionGroup):
            yield from _members(member)
        else:
            yield member
