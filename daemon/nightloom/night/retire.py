"""Retiring: everything back to parked, closed and warm, whatever state it is in."""

import asyncio

from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase
from nightloom.telemetry.events import SensorWarmed

LINK_DEADLINE_S = 120.0
"""Without a link nothing can be parked; by then a restarted server is back."""

TRY_AGAIN_S = 60.0
"""Between two tries to park and close: long enough for a driver to be born again."""


async def retire(context: Context) -> Next:
    """Park, close, save what is in hand, warm up. Raises DeviceError where a device will not."""
    await context.guiding.stop("the night ends")
    await context.rig.connect(LINK_DEADLINE_S)
    await context.guard.park()
    if context.rig.dust_cap is not None:
        await context.rig.dust_cap.close()
    await context.guard.close_roof()
    await context.intake.drain()
    await _warm(context)
    return Next(Phase.ASLEEP, "parked and closed")


async def strand(context: Context) -> Next:
    """Wait before trying again; the log has called for a person."""
    await asyncio.sleep(TRY_AGAIN_S)
    return Next(Phase.RETIRING, "trying again to park and close")


async def _warm(context: Context) -> None:
    policy, began_s = context.settings.policies.warm, context.clock.unix_s()
    await context.rig.camera.warm(policy.ramp_c_per_min, policy.until_c)
    context.log.emit(
        SensorWarmed(
            temperature_c=context.rig.camera.temperature_c or policy.until_c,
            took_s=context.clock.unix_s() - began_s,
        )
    )
