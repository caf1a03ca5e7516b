"""Crossing: from one side of the pier to the other, when the target passes the meridian."""

from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase

PAST_H = 1 / 60
"""Mounts take the other side for a target that is past the meridian: a minute leaves no doubt."""


async def cross(context: Context) -> Next:
    """Wait until the other side may look at the target, and have it acquired from there."""
    await context.guiding.stop("crossing the meridian")
    target = context.course.running
    allowed_h, _ = context.settings.observatory.mount.hour_angle_pier_east_h
    now_s = context.clock.unix_s()
    wait_h = max(allowed_h, PAST_H) - context.programme.hour_angle_h(target, now_s)
    if wait_h > 0:
        await context.sleep_until(now_s + 3600.0 * wait_h)
    return Next(Phase.ACQUIRING, f"{target.name} has passed the meridian")
