"""Sheltering: parked and closed until the weather is safe."""

import asyncio
from typing import Literal

from nightloom.faults import Act, row_of
from nightloom.night.calibrate import calibrating_beside
from nightloom.night.closing_up import beside
from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase
from nightloom.safety import make_safe
from nightloom.telemetry.events import DeviceTrouble, WeatherSafe
from nightloom_drivers.errors import DeviceError


async def shelter(context: Context) -> Next[Literal[Phase.READYING]]:
    """Park and close, then wait for safe weather. Raises NotSafe."""
    async with asyncio.TaskGroup() as group:
        group.create_task(beside(context, "shelter"))
        await make_safe(context.guard, context.log)
    wait_s = context.settings.policies.weather.wait_safe_s
    async with calibrating_beside(context, closed=True), asyncio.TaskGroup() as group:
        asking = group.create_task(_keep_asking(context))
        await context.guard.until_weather_is_safe(wait_s)
        asking.cancel()
    context.cloud_monitor.new_sky()  # what was seen before says nothing any more
    context.log.emit(WeatherSafe(safe_for_s=wait_s))
    return Next(Phase.READYING, "the weather is safe again")


async def _keep_asking(context: Context) -> None:
    """Have the station connected: without it the weather never becomes safe."""
    while True:
        try:
            await context.guard.connect_station()
        except DeviceError as error:
            context.log.emit(DeviceTrouble.of(error, "asked again in a minute"))
        await asyncio.sleep(row_of(Act.STATION).wait_s)
