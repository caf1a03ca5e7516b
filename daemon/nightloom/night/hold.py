"""Holding: under cloud, with the roof open and the weather watched, until the stars are back."""

import asyncio
from typing import Literal

from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase
from nightloom.telemetry.events import CloudCleared


async def hold_out(context: Context) -> Next[Literal[Phase.ACQUIRING]]:
    """Watch the guide stars until they are back; without any, look again after a while."""
    began_s = context.clock.unix_s()
    if context.guiding.running:
        await context.cloud_monitor.until_clear()
    else:
        await asyncio.sleep(context.settings.policies.clouds.recheck_s)
        context.cloud_monitor.new_sky()
    context.log.emit(
        CloudCleared(
            star_fraction=context.cloud_monitor.transparency,
            held_s=context.clock.unix_s() - began_s,
        )
    )
    return Next(Phase.ACQUIRING, "the stars are back, or may be")
