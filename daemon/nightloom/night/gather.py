"""Gathering: subs in cycles, and everything that moves hidden under the download."""

import asyncio
from dataclasses import replace

from nightloom.night.context import Context
from nightloom.night.focus_check import look_at_focus
from nightloom.night.gap import change_filter, prepare
from nightloom.night.sub import expose
from nightloom.night.target_run import Ending, Planned
from nightloom.schedule.costs import focus_cost_s


async def gather(context: Context) -> Ending:
    """Take subs of the running target until something else is due, and say what.

    Whether a target is done hangs on its last verdicts, so that they are waited for.
    """
    while True:
        ending = await _take_subs(context)
        if not context.pipeline.busy:
            return ending
        await context.pipeline.drain()


async def _take_subs(context: Context) -> Ending:
    """Take subs until something else seems to be due.

    The closing of the shutter is the moment of decision: while the frame downloads, the wheel
    turns, the focuser follows and the guide stars move to the next pointing.
    """
    target_run = context.target_run
    planned, ending = _next(context)
    if ending is None:
        await _prepare(context, planned)
    while ending is None:
        if await _refocus(context, planned):
            ending = target_run.ending()
        ending = ending or target_run.cut_short(planned)  # getting ready may have taken long
        if ending is not None:
            break
        download = await expose(context, planned)
        planned, ending = _next(context)
        async with asyncio.TaskGroup() as group:
            group.create_task(download.arrived())
            if ending is None:
                group.create_task(_prepare(context, planned))
    return ending


def _next(context: Context) -> tuple[Planned, Ending | None]:
    """The sub that is due, or why none may begin once a look at the focus that is due was taken."""
    before_s = focus_cost_s(context.settings) if context.focusing.watch.due() else 0.0
    return context.target_run.planned(), context.target_run.ending(before_s)


async def _prepare(context: Context, planned: Planned) -> None:
    """Have the rig ready for a sub, or for the look at the focus that is due before it."""
    if context.focusing.watch.due():
        planned = replace(planned, filter=_focus_filter(context, planned))
    await prepare(context, planned)


def _focus_filter(context: Context, planned: Planned) -> str:
    return context.settings.policies.focus.filter or planned.filter


async def _refocus(context: Context, planned: Planned) -> bool:
    """Look at the focus when that is due; either way come to the filter of the next sub."""
    reason = context.focusing.watch.due()
    if reason:
        await look_at_focus(context, _focus_filter(context, planned), reason)
    await change_filter(context, planned.filter)
    return bool(reason)
