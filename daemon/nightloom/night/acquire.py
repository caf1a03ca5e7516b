"""Acquiring: slew, solve, centre, guide, focus. After it, the target is ready for subs."""

from typing import Literal

from nightloom.night.context import Context
from nightloom.night.focus_check import look_at_focus
from nightloom.night.gap import change_filter
from nightloom.night.phases import Next, Phase
from nightloom.night.start_target import NOT_TAKEN_UP, give_up, start_target
from nightloom.settings import Target
from nightloom.telemetry.events import TargetChosen

Ending = Next[Literal[Phase.GATHERING, Phase.ACQUIRING, Phase.READYING, Phase.HOLDING]]


async def acquire(context: Context) -> Ending:
    """Bring up the target that is due. Raises DeviceError and GuardRefusal."""
    target = context.schedule.choose()
    if target is None:
        return Next(Phase.READYING, "no target is up")
    again = context.target_run.ran_last(target)
    beside = context.target_run.ran_beside(target)
    reason = context.schedule.reason(target)
    context.log.emit(TargetChosen(target=target.name, reason=reason, again=again))
    await context.guiding.stop("a new pointing")
    await context.pipeline.downloaded()  # a new exposure would end a frame that still comes down
    gathered = context.schedule.gathered(target)
    filters = list(context.target_run.filters(target, gathered))
    if not filters:
        return _leave(context, target)
    focus_filter = context.focus_filter(filters[0])
    try:
        await change_filter(context, context.acquire_filter(filters[0]))
        await _take_up(context, target, focus_filter)
    except NOT_TAKEN_UP as failure:
        return give_up(context, target, failure)
    await _focus(context, focus_filter, again=again, beside=beside)
    await context.sleep_until(context.schedule.dark.start_unix_s)
    focused = "in focus" if context.focusing.proven else "not focused by a good curve yet"
    return Next(Phase.GATHERING, f"centred, guiding, {focused}")


async def _take_up(context: Context, target: Target, focus_filter: str) -> None:
    """Take a target up. Before the first good curve, a frame not solved may be far out of focus."""
    try:
        await start_target(context, target)
    except NOT_TAKEN_UP:
        context.focusing.doubt_recalled()
        reason = (
            "" if context.focusing.proven else context.focusing.watch.due("nothing could be solved")
        )
        if not reason:
            raise
        focus_filter = context.target_run.possible_filter(focus_filter)
        await change_filter(context, focus_filter)
        await context.focusing.curve(focus_filter, reason)
        if not context.focusing.proven:
            raise
        await start_target(context, target)


def _leave(context: Context, target: Target) -> Next[Literal[Phase.ACQUIRING, Phase.READYING]]:
    """Leave a target of whose filters none can be taken, while wheel or focuser is stuck."""
    context.schedule.set_aside(target)
    why = f"{target.name} asks for no filter that can be taken now"
    up = context.schedule.choose() is not None
    return Next(Phase.ACQUIRING, why) if up else Next(Phase.READYING, why)


async def _focus(context: Context, filter_name: str, *, again: bool, beside: bool) -> None:
    """Look at the focus where that is due. To a panel beside the last one nothing is turned."""
    if not beside:
        context.focusing.watch.turned("the target was left" if again else "a new target")
    reason = context.focusing.watch.due()
    if reason:
        await look_at_focus(context, filter_name, reason)
