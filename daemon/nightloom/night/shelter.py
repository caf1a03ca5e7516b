"""Sheltering: parked and closed until the weather is safe, or holding until the stars are back."""

import asyncio

from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase
from nightloom.telemetry.events import CloudCleared, WeatherSafe


async def shelter(context: Context) -> Next:
    """Wait for better sky, with the roof open under cloud and closed in bad weather."""
    return await (_hold(context) if context.holding else _close_and_wait(context))


async def _close_and_wait(context: Context) -> Next:
    await context.guiding.stop("shelter")
    await context.guard.park()
    if context.rig.dust_cap is not None:
        await context.rig.dust_cap.close()
    await context.guard.close_roof()
    wait_s = context.settings.policies.weather.wait_safe_s
    weather = context.rig.weather
    if weather is not None:
        await weather.until_safe(for_s=wait_s)
    context.log.emit(WeatherSafe(safe_for_s=wait_s))
    return Next(Phase.READYING, "the weather is safe again")


async def _hold(context: Context) -> Next:
    """Watch the guide stars until they are back; without any, look again after a while."""
    began_s = context.clock.unix_s()
    if context.guiding.running:
        await context.lookout.until_clear()
    else:
        await asyncio.sleep(context.settings.policies.clouds.recheck_s)
        context.lookout.new_sky()
    context.holding = False
    context.log.emit(
        CloudCleared(
            star_fraction=context.lookout.transparency,
            held_s=context.clock.unix_s() - began_s,
        )
    )
    return Next(Phase.ACQUIRING, "the stars are back, or may be")
