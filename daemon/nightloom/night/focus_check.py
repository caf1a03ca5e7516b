"""Looking at the focus: a short two-sided test, and a whole curve only where that does not do."""

import math
from collections.abc import Callable

from nightloom.focusing import Check, CheckOutcome, judge_check, next_offset_steps
from nightloom.night.context import Context
from nightloom.night.gap import change_filter
from nightloom_drivers.clock import steady_s

CHECKS_MOST = 3
"""Each sees a focus some three zones away; offsets are wrong by no more than a few."""


async def look_at_focus(context: Context, filter_name: str, reason: str) -> None:
    """Check the focus for a reason, with a filter, and put right what moved. Raises DeviceError.

    The first look of a night is a curve, and so is one after a check that leaves it open.
    """
    filter_name = context.target_run.possible_filter(filter_name)
    await change_filter(context, filter_name)
    if filter_name in context.focusing.odd_filters:
        await _look_at_odd(context, filter_name, reason)
        return
    if context.focusing.watch.curve_due():
        await context.focusing.curve(filter_name, reason)
        return
    check = await _check(context, filter_name, reason, context.focusing.checked)
    if check.verdict is CheckOutcome.UNCLEAR:
        await context.focusing.curve(filter_name, f"{reason}; a check left it open")
        return
    await context.focusing.follow(filter_name)


async def _look_at_odd(context: Context, filter_name: str, reason: str) -> None:
    """Measure the offset of a filter that alone is out of focus: check after check, each about
    where the last one saw the focus, and a curve where that leads nowhere.
    """
    focusing = context.focusing
    for _ in range(CHECKS_MOST):
        check = await _check(context, filter_name, reason, focusing.offset_checked)
        if not math.isfinite(check.error_steps):
            break
        await focusing.follow(filter_name)
        if check.verdict is not CheckOutcome.UNCLEAR:
            return
    await focusing.curve(filter_name, f"{reason}; a check left it open")


async def _check(
    context: Context, filter_name: str, reason: str, take: Callable[[str, int, Check], float]
) -> Check:
    """Brief frames either side of where the focuser belongs, until they say enough, and `take` them
    in: what the focuser moves by, in steps.
    """
    focusing, policy = context.focusing, context.settings.policies.focus
    began_s, growth = steady_s(), focusing.watch.growth
    zone_steps = focusing.zone_steps(filter_name)
    middle = focusing.position_steps(filter_name)
    offsets: list[int] = []
    radii: list[float] = []
    check: Check | None = None
    while (offset := next_offset_steps(len(offsets), zone_steps, check)) is not None:
        position = focusing.within(middle + offset)  # one side falls away at an end of the travel
        point = await focusing.point(position, filter_name)
        offsets.append(position - middle)
        radii.append(point.radius_px if point.stars >= policy.minimum_stars else math.nan)
        check = judge_check(offsets, radii, focusing.slope_px_per_step, zone_steps)
    assert check is not None
    positions = [middle + offset for offset in offsets]
    moved_steps = take(filter_name, middle, check)
    focusing.records.check(
        filter_name, reason, positions, radii, check, moved_steps, growth, began_s
    )
    return check
