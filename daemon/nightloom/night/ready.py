"""Readying: connect, cool, wait for the hour and for safe weather, open, unpark."""

import asyncio

from nightloom.night.context import Context
from nightloom.night.interrupts import Unsafe
from nightloom.night.phases import Next, Phase
from nightloom.telemetry.events import SensorCooled

LINK_DEADLINE_S = 600.0
"""A server that was started again is back within seconds; a host that rebooted, in minutes."""

COOLING_DEADLINE_S = 1800.0
"""A sensor that is not cold by then will not become so: its cooler is at its limit."""


LOOK_AGAIN_S = 60.0
"""Between two looks whether a target is up: the sky turns a quarter of a degree meanwhile."""


async def ready(context: Context) -> Next:
    """Make the rig ready and wait until the first target may be acquired.

    Raises DeviceError, and Unsafe when the weather speaks against opening.
    """
    await context.rig.connect(LINK_DEADLINE_S)
    await _tell_place_and_time(context)
    if context.programme.over():
        return Next(Phase.RETIRING, "the night is over")
    async with asyncio.TaskGroup() as group:
        group.create_task(_cool(context))
        group.create_task(_open(context))
    await context.sleep_until(context.programme.acquire_from_s)
    while not context.programme.finished():
        target = context.programme.choose()
        if target is not None:
            return Next(Phase.ACQUIRING, f"ready; {target.name} is up")
        if context.rig.mount.is_tracking:  # nothing watches how far it turns meanwhile
            await context.rig.mount.track(False)
        await asyncio.sleep(LOOK_AGAIN_S)
    return Next(Phase.RETIRING, "nothing is left to do tonight")


async def _tell_place_and_time(context: Context) -> None:
    """Tell the mount where and when it is, and have it read back: some drivers know better."""
    mount, site = context.rig.mount, context.settings.observatory.site
    if mount.has("GEOGRAPHIC_COORD"):
        await mount.set_place(site.latitude_deg, site.longitude_deg, site.elevation_m)
    if mount.has("TIME_UTC"):
        await mount.set_time(context.clock.now())


async def _cool(context: Context) -> None:
    camera, wanted = context.rig.camera, context.settings.observatory.camera
    began_s = context.clock.unix_s()
    await camera.cool(
        wanted.target_temperature_c, wanted.cooling_ramp_c_per_min, COOLING_DEADLINE_S
    )
    context.log.emit(
        SensorCooled(
            temperature_c=camera.temperature_c or wanted.target_temperature_c,
            took_s=context.clock.unix_s() - began_s,
        )
    )


async def _open(context: Context) -> None:
    await context.sleep_until(context.programme.open_from_s)
    reasons = context.guard.unsafe_reasons()
    if reasons:
        raise Unsafe("; ".join(reasons))
    if not context.guard.is_open:  # a mount may be found standing anywhere, and the roof must pass
        await context.guard.park()
    await context.guard.open_roof()
    if context.rig.dust_cap is not None:
        await context.rig.dust_cap.open()
    await context.guard.unpark()
