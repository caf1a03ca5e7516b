"""What happens between two subs, all of it at once and under the download of the last one."""

import asyncio

from nightloom.faults import Act, Part, row_of, tried
from nightloom.guiding import next_dither
from nightloom.night.context import Context
from nightloom.night.next_sub import Planned
from nightloom.settings import Target
from nightloom.telemetry.events import DeviceTrouble, Dithered, FilterChanged, TroubleOver
from nightloom_drivers.clock import steady_s
from nightloom_drivers.errors import DeviceError


async def prepare(context: Context, planned: Planned) -> None:
    """Have the rig ready for a sub: its filter, its focus, its pointing. Raises DeviceError."""
    async with asyncio.TaskGroup() as group:
        group.create_task(change_filter(context, planned.filter))
        group.create_task(_point(context, planned))


async def _point(context: Context, planned: Planned) -> None:
    """Make the guiding sound again if it is not, and go to the next pointing if one is due."""
    if not context.unguided:
        await context.guiding.mend()
    if planned.dither:
        await dither(context)


async def change_filter(context: Context, wanted: str) -> None:
    """Turn the wheel and move the focuser by the filter's offset, at the same time.

    A wheel that the night goes on without is left in its filter, but asked now and then whether it
    turns again. Raises DeviceError.
    """
    if context.without(Part.WHEEL):
        kept = context.target_run.possible_filter(wanted)
        await _ask_wheel(context, kept)
        await _follow(context, kept)
        return
    wheel, said = context.rig.wheel, context.settings.observatory.wheel
    slot = said.slot_of(wanted)
    present = wheel.slot
    if present == slot and context.focusing.in_place(wanted):
        context.target_run.turned_to(wanted)
        return
    began_s = steady_s()
    async with asyncio.TaskGroup() as group:
        if present != slot:
            group.create_task(_turn(context, slot))
        group.create_task(_follow(context, wanted))
    context.target_run.turned_to(wanted)
    if present == slot:
        return
    context.log.emit(
        FilterChanged(
            before=said.slots[present - 1] if present else "",
            after=wanted,
            focuser_steps=context.focusing.seen_steps,
            took_s=steady_s() - began_s,
        )
    )


async def _ask_wheel(context: Context, kept: str) -> None:
    """See whether a wheel that was given up turns, away and back.

    Raises DeviceError where it does not come back to its filter.
    """
    given_up, wheel, began_s = context.given_up, context.rig.wheel, steady_s()
    said = context.settings.observatory.wheel
    slot = said.slot_of(kept)
    if not given_up.may_be_asked(Part.WHEEL, context.clock.unix_s()):
        return
    try:
        await wheel.select(slot % len(said.slots) + 1)
        await wheel.select(slot)
    except DeviceError:
        given_up.asked_in_vain(Part.WHEEL, context.clock.unix_s(), steady_s() - began_s)
        if wheel.has("FILTER_SLOT") and not wheel.reads(slot):
            raise
        return
    given_up.found(Part.WHEEL)
    context.log.emit(TroubleOver(parts=[Part.WHEEL.value]))


async def _turn(context: Context, slot: int) -> None:
    def note(error: Exception) -> None:
        tell(context, error, "turned once more")

    await tried(row_of(Act.FILTER), lambda: context.rig.wheel.select(slot), note)


async def _follow(context: Context, filter_name: str) -> None:
    def note(error: Exception) -> None:
        tell(context, error, "moved once more")

    await tried(row_of(Act.FOCUS), lambda: context.focusing.follow(filter_name), note)


def tell(context: Context, error: Exception, next_step: str) -> None:
    """Log a failure that is tried again."""
    if isinstance(error, DeviceError):
        context.log.emit(DeviceTrouble.of(error, next_step))


async def dither(context: Context) -> None:
    """Move the guide stars to the next pointing and wait until they rest there."""
    pointing, guiding = context.pointing, context.guiding
    target, pointings = context.target_run.running, context.target_run.pointings
    here = pointing.place_px(target)
    there = next_dither(
        pointings.tonight_px(),
        target.dither.over(context.settings.policies.dither).radius_px,
        least_dither_px(context, target),
        context.schedule.night.toordinal(),
        pointings.elsewhere_px(),
    )
    began_s = steady_s()
    step_px = (there[0] - here[0], there[1] - here[1])
    if context.unguided:
        await pointing.slew_aside(step_px)
    else:
        with context.cloud_monitor.undisturbed():  # half a dither would leave the place unknown
            await guiding.lead(*pointing.telescope_move_arcsec(*step_px))
            pointing.moved(step_px)
        await guiding.settle(context.settings.policies.frames.guide_tolerance_arcsec)
    pointings.moved(there)
    context.log.emit(
        Dithered(
            target=target.name,
            number=pointings.number,
            dx_px=there[0],
            dy_px=there[1],
            settle_s=steady_s() - began_s,
        )
    )


def least_dither_px(context: Context, target: Target) -> float:
    """The least distance between two of its pointings."""
    return target.dither.over(context.settings.policies.dither).minimum_step_px
