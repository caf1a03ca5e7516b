"""Taking up a target: centred, guided, at a pointing of its own; and giving it up when it fails."""

from typing import Literal

from nightloom.guiding import is_free
from nightloom.guiding.readings import NotGuiding
from nightloom.night.context import Context
from nightloom.night.gap import dither, least_dither_px
from nightloom.night.phases import Next, Phase
from nightloom.night.rotation import warn_of_rotation
from nightloom.pointing.centring import NotCentred
from nightloom.safety import OutOfReach, WrongSide
from nightloom.schedule.meridian_limits import BRIDGED_S, EDGE_S
from nightloom.schedule.schedule import SET_ASIDE_S
from nightloom.settings import Target

Ending = Next[Literal[Phase.ACQUIRING, Phase.READYING, Phase.HOLDING]]

NOT_TAKEN_UP = (NotCentred, NotGuiding, OutOfReach)
"""What may be the target's fault, or the sky's before it."""


async def start_target(context: Context, target: Target) -> None:
    """Centre a target and hold it. Raises NotCentred, NotGuiding, GuardRefusal and DeviceError."""
    await context.pointing.centre(target)
    warn_of_rotation(context, target)
    await hold(context, target)


async def hold(context: Context, target: Target) -> None:
    """Begin to guide on a target that is centred, where no earlier pointing was.

    Waits for rest as long as it is worth it; without a guider there is none. Raises NotGuiding and
    DeviceError.
    """
    place_px = context.pointing.place_px(target)
    context.target_run.start(target, place_px)
    if context.unguided:
        context.cloud_monitor.new_sky()
        return
    await context.guiding.start(target.dec_deg, context.guard.pier.side)
    context.cloud_monitor.new_stars(context.schedule.airmass(target, context.clock.unix_s()))
    await context.guiding.settle(context.settings.policies.frames.guide_tolerance_arcsec)
    pointings = context.target_run.pointings
    earlier, elsewhere = pointings.tonight_px()[:-1], pointings.elsewhere_px()
    if not is_free(place_px, earlier, least_dither_px(context, target), elsewhere):
        await dither(context)


def give_up(context: Context, target: Target, failure: Exception) -> Ending:
    """Leave a target for a while, and for a short one where the mount will soon reach it.

    When it is the only one, wait where the telescope may not look at it, and hold where it could
    not be seen: the sky may be at fault.
    """
    why = str(failure)
    context.schedule.set_aside(target, _aside_s(context, target, failure))
    if context.schedule.choose() is not None:
        return Next(Phase.ACQUIRING, why)
    if isinstance(failure, OutOfReach):
        return Next(Phase.READYING, why)
    context.schedule.take_back(target)
    return Next(Phase.HOLDING, why)


def _aside_s(context: Context, target: Target, failure: Exception) -> float:
    """How long a target is left alone: one between the sides of the pier, until the mount goes to
    the other one.
    """
    if not isinstance(failure, OutOfReach):
        return SET_ASIDE_S
    changes_h = context.settings.observatory.mount.changes_at_h
    other_side_s = context.schedule.reaches_s(target, changes_h) + EDGE_S
    if 0.0 < other_side_s <= BRIDGED_S:
        return other_side_s
    return SET_ASIDE_S if isinstance(failure, WrongSide) else BRIDGED_S
