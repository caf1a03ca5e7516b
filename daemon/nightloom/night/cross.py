"""Crossing: from one side of the pier to the other, when the target passes the meridian.

Telescopes have met their piers here: the mount is told to cross twice at the most, and one that
stays is stopped and parked. Keep a hardware limit, and leave room in the hour-angle ranges.
"""

import asyncio
from typing import Literal

from nightloom.faults import Act, row_of
from nightloom.night.context import Context
from nightloom.night.focus_check import look_at_focus
from nightloom.night.gap import change_filter
from nightloom.night.next_sub import LEEWAY_S
from nightloom.night.phases import Next, Phase
from nightloom.night.start_target import NOT_TAKEN_UP, give_up, hold
from nightloom.safety import WrongSide
from nightloom.schedule.costs import focus_cost_s
from nightloom.settings import Target
from nightloom.telemetry.events import Crossed, CrossingRefused
from nightloom_drivers.clock import steady_s
from nightloom_drivers.devices import PierSide

MARGIN_S = 2.0
"""The mount's clock may be a little late."""


class NotCrossed(Exception):
    """The mount stays on its side of the pier, however it is told."""


Ending = Next[Literal[Phase.GATHERING, Phase.ACQUIRING, Phase.READYING, Phase.HOLDING]]


async def cross(context: Context) -> Ending:
    """Go to the other side as soon as it may look at the target, and hold it from there.

    Raises DeviceError and GuardRefusal.
    """
    target, before = context.target_run.running, context.guard.pier.side
    try:
        await _wait(context, target)
        await context.guiding.stop("crossing the meridian")
        await _change_sides(context, target, before)
        await hold(context, target)
    except NotCrossed as refusal:
        return await _leave(context, target, str(refusal))
    except NOT_TAKEN_UP as failure:
        return give_up(context, target, failure)
    context.log.emit(
        Crossed(
            before=str(before),
            after=str(context.guard.pier.side),
            took_s=steady_s() - context.target_run.closed_s,
        )
    )
    context.target_run.check_next_sub()
    context.focusing.watch.turned("the meridian was passed")
    return Next(Phase.GATHERING, f"{target.name} is held from the other side")


async def _wait(context: Context, target: Target) -> None:
    """Use the time until the other side may look; stand still at the limit of this one."""
    schedule = context.schedule
    filters = list(context.target_run.filters(target, schedule.gathered(target)))
    if not filters:
        filters = list(target.subs)
    await _look_meanwhile(context, target, context.focus_filter(filters[0]))
    await change_filter(context, context.acquire_filter(filters[0]))
    left_s, waits_s = context.guard.left_s() - LEEWAY_S, _waits_s(context, target)
    if waits_s > left_s:
        await asyncio.sleep(max(0.0, left_s))
        await _stand_still(context)
        waits_s = _waits_s(context, target)
    await asyncio.sleep(waits_s)


async def _look_meanwhile(context: Context, target: Target, filter_name: str) -> None:
    """Look at the focus if that is due, or if it costs no time; the limit of the side ends it."""
    cost_s, left_s = focus_cost_s(context.settings), context.guard.left_s() - LEEWAY_S
    free = _waits_s(context, target) > cost_s
    reason = context.focusing.watch.due("the meridian is waited for" if free else "")
    if not reason or left_s <= cost_s:
        return
    try:
        async with asyncio.timeout(left_s) as limit:
            await look_at_focus(context, filter_name, reason)
    except TimeoutError:
        if not limit.expired():
            raise


async def _change_sides(context: Context, target: Target, before: PierSide) -> None:
    """Centre the target from the other side, and see that it is the other one.

    A mount that stays is told once more after a while. Raises NotCrossed and NotCentred.
    """
    retry_s = context.settings.observatory.mount.flip_retry_s
    row, number = row_of(Act.CROSS), 0
    while number < row.tries:
        number += 1
        last = number == row.tries
        next_step = "parked, and the target left" if last else f"told again after {retry_s:g} s"
        try:
            await context.pointing.centre(target)
            if context.guard.pier.side is not before:
                return
            seen = f"it went there and is still {before} of its pier"
        except WrongSide as refusal:
            seen = refusal.limit
        await _stand_still(context)
        context.log.emit(CrossingRefused(target=target.name, reason=seen, next_step=next_step))
        if not last:
            await asyncio.sleep(retry_s)
    raise NotCrossed(f"the mount does not cross the meridian: {seen}")


async def _leave(context: Context, target: Target, why: str) -> Next[Literal[Phase.READYING]]:
    """Park, and leave the target for tonight; others may be up on this side."""
    await context.guard.park()
    context.schedule.set_aside(target, context.schedule.dark.end_unix_s - context.clock.unix_s())
    return Next(Phase.READYING, why)


async def _stand_still(context: Context) -> None:
    await context.guiding.stop("the mount stands still")
    await context.guard.stand_still()


def _waits_s(context: Context, target: Target) -> float:
    """Time until the other side may look at the target; 0 when it may."""
    ahead_s = context.schedule.reaches_s(target, context.guard.pier.changes_at_h)
    return max(0.0, ahead_s + MARGIN_S)
