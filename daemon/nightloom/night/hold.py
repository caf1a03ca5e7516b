"""Holding: under cloud, with the roof open and the weather watched, until the stars are back.

Tracking and guiding go on meanwhile, and look for the stars that were held.
"""

import asyncio
from typing import Literal

from nightloom.clouds import AfterCloud, LongCloud, after_cloud
from nightloom.night.calibrate import calibrating_beside
from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase
from nightloom.schedule.schedule import SET_ASIDE_S
from nightloom.telemetry.events import CloudCleared
from nightloom.telemetry.figures import duration

THINK_AGAIN_S = 60.0
"""Between two looks at how long a cloud has stayed; that it is gone is heard at once."""

Ending = Next[Literal[Phase.GATHERING, Phase.ACQUIRING, Phase.RETIRING]]


async def hold_out(context: Context) -> Ending:
    """Wait for the sky; without guide stars look again after a while. Raises DeviceError."""
    context.cloud_monitor.waits()
    if not context.guiding.running:
        return await _look_again(context)
    async with calibrating_beside(context, closed=False):
        while True:
            context.guard.need_mount()  # which nothing else asks for anything meanwhile
            ending = await _watch_stars(context)
            if ending is not None:
                return ending


async def _look_again(context: Context) -> Ending:
    """Without guide stars nobody sees it clear: try the target again after a while."""
    monitor, clouds = context.cloud_monitor, context.settings.policies.clouds
    await asyncio.sleep(clouds.recheck_s)
    most_s, held_s = clouds.end_night_after_s, monitor.held.for_s
    if most_s is not None and held_s >= most_s:
        return Next(Phase.RETIRING, f"cloud for {duration(held_s)}")
    monitor.new_sky()
    return _cleared(context, clouds.recheck_s, Next(Phase.ACQUIRING, "the stars may be back"))


async def _watch_stars(context: Context) -> Ending | None:
    """Wait until it clears or it is time to think again; None when nothing is to be done."""
    monitor, clouds = context.cloud_monitor, context.settings.policies.clouds
    rule = LongCloud(
        clouds.recentre_after_s, clouds.change_target_after_s, clouds.end_night_after_s
    )
    try:
        async with asyncio.timeout(THINK_AGAIN_S) as limit:
            await monitor.until_clear()
    except TimeoutError:
        if not limit.expired():
            raise
    held = monitor.held
    match after_cloud(held, rule):
        case AfterCloud.GO_ON:
            if monitor.stars_were_lost:
                tolerance_arcsec = context.settings.policies.frames.guide_tolerance_arcsec
                await context.guiding.settle(tolerance_arcsec)
            return _cleared(context, held.for_s, Next(Phase.GATHERING, "the stars are back"))
        case AfterCloud.RECENTRE:
            monitor.new_sky()
            why = "the stars are back after a long while, or the sky is thin and steady"
            return _cleared(context, held.for_s, Next(Phase.ACQUIRING, why))
        case AfterCloud.END_NIGHT:
            return Next(Phase.RETIRING, f"cloud for {duration(held.for_s)}")
        case AfterCloud.OTHER_TARGET:
            return _other_target(context, held.here_s)
        case AfterCloud.WAIT:
            return None


def _cleared(context: Context, held_s: float, ending: Ending) -> Ending:
    transparency = context.cloud_monitor.transparency
    context.log.emit(CloudCleared(star_fraction=transparency, held_s=held_s))
    return ending


def _other_target(context: Context, held_s: float) -> Ending | None:
    """Try another part of the sky, if another target is due there; the clock begins anew."""
    target, schedule = context.target_run.running, context.schedule
    context.cloud_monitor.tries_elsewhere()
    schedule.set_aside(target, SET_ASIDE_S)
    if schedule.choose() is None:
        schedule.take_back(target)
        return None
    context.cloud_monitor.new_sky()
    return Next(Phase.ACQUIRING, f"cloud before {target.name} for {duration(held_s)}")
