"""Looking at the focus: a short two-sided test, and a whole curve only where that does not do."""

import math
from collections.abc import Sequence

from nightloom.focus import Check, Verdict, judge_check, next_offset_steps
from nightloom.ledger import Check as Entry
from nightloom.night.context import Context
from nightloom.night.gap import change_filter
from nightloom.telemetry.events import FocusChecked


async def look_at_focus(context: Context, filter_name: str, reason: str) -> None:
    """Check the focus for a reason, with a filter, and put right what moved. Raises DeviceError.

    The first look of a night is a curve, and so is one after a check that leaves it open.
    """
    await change_filter(context, filter_name)
    if context.focusing.watch.curve_due():
        await context.focusing.curve(filter_name, reason)
        return
    check = await _check(context, filter_name, reason)
    if check.verdict is Verdict.UNCLEAR:
        await context.focusing.curve(filter_name, f"{reason}; a check left it open")
        return
    context.focusing.shift(check.correction_steps)
    await context.focusing.follow(filter_name)
    context.focusing.watch.looked(moved=check.verdict is Verdict.MOVED, curve=False)


async def _check(context: Context, filter_name: str, reason: str) -> Check:
    """Brief frames either side of where the focuser belongs, until they say enough."""
    focusing, policy = context.focusing, context.settings.policies.focus
    began_s, growth = context.clock.unix_s(), focusing.watch.growth
    zone_steps = focusing.zone_steps(filter_name)
    middle = focusing.position_steps(filter_name)
    offsets: list[int] = []
    radii: list[float] = []
    check: Check | None = None
    while (offset := next_offset_steps(len(offsets), zone_steps, check)) is not None:
        point = await focusing.point(middle + offset, filter_name)
        offsets.append(offset)
        radii.append(point.radius_px if point.stars >= policy.least_stars else float("nan"))
        check = judge_check(offsets, radii, focusing.slope_px_per_step, zone_steps)
    assert check is not None
    _record(context, filter_name, reason, check, middle, offsets, radii)
    known = check.verdict is not Verdict.UNCLEAR or check.error_steps < zone_steps
    context.log.emit(
        FocusChecked(
            filter=filter_name,
            reason=reason,
            growth_percent=100.0 * growth,
            moved=check.verdict is Verdict.MOVED,
            direction=check.direction,
            verdict=check.verdict.value,
            estimate_steps=check.estimate_steps if known else None,
            error_steps=check.error_steps if known else None,
            correction_steps=check.correction_steps,
            took_s=context.clock.unix_s() - began_s,
        )
    )
    return check


def _record(
    context: Context,
    filter_name: str,
    reason: str,
    check: Check,
    middle_steps: int,
    offsets_steps: Sequence[int],
    radii_px: Sequence[float],
) -> None:
    """Keep a check in the ledger: where it found the focus counts like the vertex of a curve."""
    context.ledger.add_check(
        Entry(
            night=str(context.programme.night),
            taken_utc=context.clock.now(),
            filter=filter_name,
            positions_steps=tuple(middle_steps + offset for offset in offsets_steps),
            radii_px=tuple(radius if math.isfinite(radius) else None for radius in radii_px),
            outcome=check.verdict.value,
            vertex_steps=middle_steps + check.estimate_steps,
            error_steps=check.error_steps,
            correction_steps=check.correction_steps,
            temperature_c=context.rig.focuser.temperature_c,
            reason=reason,
        )
    )
