"""Retiring: everything back to parked, closed and warm, whatever state it is in."""

import asyncio
from typing import Literal

from nightloom.faults import Act, row_of
from nightloom.night.calibrate import calibrates
from nightloom.night.closing_up import beside
from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase
from nightloom.safety import make_safe
from nightloom.telemetry.events import DeviceTrouble, SensorWarmed
from nightloom_drivers.clock import steady_s
from nightloom_drivers.errors import DeviceError


async def retire(context: Context) -> Next[Literal[Phase.ASLEEP, Phase.CALIBRATING]]:
    """Park and close, save what is in hand; warm up, unless calibration frames come first.

    Raises NotSafe.
    """
    async with asyncio.TaskGroup() as group:
        group.create_task(beside(context, "the night ends"))
        await make_safe(context.guard, context.log)
    await context.pipeline.drain()
    if calibrates(context):
        return Next(Phase.CALIBRATING, "calibration frames are lacking")
    await warm(context)
    return Next(Phase.ASLEEP, "parked and closed")


async def strand(context: Context) -> Next[Literal[Phase.RETIRING]]:
    """Wait before trying again, and for the link; the log has called for a person."""
    await context.guard.until_linked()
    await asyncio.sleep(row_of(Act.STRANDED).wait_s)
    return Next(Phase.RETIRING, "trying again to park and close")


async def warm(context: Context) -> None:
    """Warm the sensor up gently; trouble leaves the cooler as it is."""
    policy, began_s = context.settings.policies.warm, steady_s()
    camera = context.rig.camera
    if not context.settings.observatory.camera.cooled:
        return
    try:
        await camera.warm(policy.ramp_c_per_min, policy.until_c)
    except DeviceError as error:
        context.log.emit(DeviceTrouble.of(error, "its cooler is left as it is"))
        return
    context.log.emit(
        SensorWarmed(
            temperature_c=camera.temperature_c or policy.until_c,
            took_s=steady_s() - began_s,
        )
    )
