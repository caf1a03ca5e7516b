"""Acquiring: slew, solve, centre, guide, focus. After it, the target is ready for subs."""

from nightloom.night.context import Context
from nightloom.night.gap import change_filter
from nightloom.night.guide import NotGuiding
from nightloom.night.phases import Next, Phase
from nightloom.night.pointing import NotCentred
from nightloom.night.rotation import warn_of_rotation
from nightloom.settings import Target
from nightloom.telemetry.events import TargetChosen


async def acquire(context: Context) -> Next:
    """Bring up the target that is due. Raises DeviceError and GuardRefusal."""
    target = context.programme.choose()
    if target is None:
        return Next(Phase.READYING, "no target is up")
    reason = context.programme.reason(target)
    context.log.emit(TargetChosen(target=target.name, reason=reason))
    await context.guiding.stop("a new pointing")
    course, filters = context.course, list(context.programme.cycle_filters(target))
    policies = context.settings.policies
    try:
        await change_filter(context, policies.acquire.filter or filters[0])
        await context.pointing.centre(target)
        warn_of_rotation(context, target)
        course.run(target)
        await _guide(context)
    except (NotCentred, NotGuiding) as failure:
        return _give_up(context, target, str(failure))
    await _focus(context, policies.focus.filter or filters[0])
    await context.sleep_until(context.programme.dark.start_unix_s)
    return Next(Phase.GATHERING, "centred, guiding, in focus")


async def _guide(context: Context) -> None:
    """Begin to guide, and wait for rest as long as it is worth it."""
    target, mount = context.course.running, context.rig.mount
    await context.guiding.start(target.dec_deg, mount.pier_side)
    context.lookout.new_stars(context.programme.airmass(target, context.clock.unix_s()))
    await context.guiding.settle()


async def _focus(context: Context, filter_name: str) -> None:
    reason = context.focusing.due("a new target")
    if reason:
        await change_filter(context, filter_name)
        await context.focusing.curve(filter_name, reason)


def _give_up(context: Context, target: Target, why: str) -> Next:
    """Leave the target for a while; when it is the only one, hold: the sky may be at fault."""
    context.programme.set_aside(target)
    if context.programme.choose() is not None:
        return Next(Phase.ACQUIRING, why)
    context.programme.take_back(target)
    context.holding = True
    return Next(Phase.SHELTERING, why)
