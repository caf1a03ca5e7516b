"""Gathering: subs in cycles, and everything that moves hidden under the download."""

import asyncio
from dataclasses import replace

from nightloom.faults import Part
from nightloom.night.context import Context
from nightloom.night.focus_check import look_at_focus
from nightloom.night.gap import change_filter, prepare
from nightloom.night.next_sub import Ending, Planned
from nightloom.night.sub import expose
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
        await context.pipeline.take_back(context.cloud_monitor.guides())


async def _take_subs(context: Context) -> Ending:
    """Take subs until something else seems to be due.

    The closing of the shutter is the moment of decision: while the frame downloads, the wheel
    turns, the focuser follows and the guide stars move to the next pointing.
    """
    due = await _made_ready(context)
    while isinstance(due, Planned):
        ending = await _last_look(context, due)
        if ending is not None:
            return ending
        download = await expose(context, due)
        await context.pipeline.take_back(context.cloud_monitor.guides())
        async with asyncio.TaskGroup() as group:
            group.create_task(download.arrived())
            ready = group.create_task(_made_ready(context))
        due = ready.result()
    return due


async def _made_ready(context: Context) -> Planned | Ending:
    """The sub that is due, with the rig ready for it; planned anew where the wheel turns again."""
    without_wheel = context.without(Part.WHEEL)
    due = _next(context)
    if isinstance(due, Planned):
        await _prepare(context, due)
    if without_wheel and not context.without(Part.WHEEL):
        return await _made_ready(context)
    return due


def _next(context: Context) -> Planned | Ending:
    """The sub that is due, or why none may begin once a look at the focus that is due was taken."""
    before_s = focus_cost_s(context.settings) if context.focusing.watch.due() else 0.0
    return context.target_run.due(before_s)


async def _last_look(context: Context, planned: Planned) -> Ending | None:
    """Why a sub that was made ready does not begin after all: getting ready may have taken long."""
    if await _refocus(context, planned):
        due = context.target_run.due()
        if not isinstance(due, Planned):
            return due
    return context.target_run.cut_short(planned)


async def _prepare(context: Context, planned: Planned) -> None:
    """Have the rig ready for a sub, or for the look at the focus that is due before it."""
    if context.focusing.watch.due():
        planned = replace(planned, filter=_focus_filter(context, planned))
    await prepare(context, planned)


def _focus_filter(context: Context, planned: Planned) -> str:
    """The filter of the look that is due: one that alone is out of focus, or the usual one."""
    odd = context.focusing.odd_filters
    return odd[0] if odd else context.focus_filter(planned.filter)


async def _refocus(context: Context, planned: Planned) -> bool:
    """Look at the focus when that is due; either way come to the filter of the next sub."""
    reason = context.focusing.watch.due()
    if reason:
        await look_at_focus(context, _focus_filter(context, planned), reason)
        for name in context.focusing.odd_filters:
            await look_at_focus(context, name, context.focusing.watch.due() or reason)
    await change_filter(context, planned.filter)
    return bool(reason)
