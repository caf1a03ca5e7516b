"""Readying: connect and cool; wait parked and closed until something is due; then open."""

import asyncio
import math
from typing import Literal

from nightloom.faults import Part
from nightloom.night.context import Context
from nightloom.night.phases import Next, Phase
from nightloom.safety import make_safe
from nightloom.telemetry.events import CoolingFellShort, DeviceTrouble, SensorCooled
from nightloom_drivers.clock import steady_s
from nightloom_drivers.errors import DeviceContradicts, DeviceError, DeviceLate

LINK_DEADLINE_S = 600.0
"""A server that was started again is back within seconds; a host that rebooted, in minutes."""

COOLING_DEADLINE_S = 1800.0
"""A sensor that is not cold by then will not become so: its cooler is at its limit."""

SET_POINT_STEP_C = 5.0
"""Set points that a cooler can hold are looked for in such steps, so that darks can match."""

LOOK_AGAIN_S = 60.0
"""Between two looks whether a target is up: the sky turns a quarter of a degree meanwhile."""

PLAN_AGAIN_S = 900.0
"""Between two looks at the plan while the roof is closed."""

Ending = Next[Literal[Phase.ACQUIRING, Phase.SHELTERING, Phase.RETIRING]]


async def ready(context: Context) -> Ending:
    """Make the rig ready, and wait until the next target may be acquired.

    Mount, roof and station come first, so that the weather is known and the rig can be made safe
    whatever else is missing. Raises DeviceError, GuardRefusal and NotSafe.
    """
    await connect_safety(context)
    await context.guard.stand_still()  # nothing watches how far it turns meanwhile
    given_up = {part.value for part in Part if context.without(part)}
    await context.rig.connect(LINK_DEADLINE_S, without=given_up)
    await context.guard.tell_place_and_time()
    async with asyncio.TaskGroup() as group:
        cooling: asyncio.Task[None] | None = None
        while (due_s := _due_s(context)) is not None:
            opens_s = context.schedule.opens_s(due_s)
            cools_s = opens_s - context.settings.policies.acquire.cool_before_s
            if context.clock.unix_s() >= cools_s and cooling is None:
                cooling = group.create_task(cool(context))
            if context.clock.unix_s() < opens_s:
                await make_safe(context.guard, context.log)
                again_s = context.clock.unix_s() + PLAN_AGAIN_S
                awaited_s = opens_s if cooling is not None else cools_s
                await context.sleep_until(min(awaited_s, again_s))
                continue
            reasons = context.guard.unsafe_reasons()
            if reasons:
                _leave(cooling)
                return Next(Phase.SHELTERING, "; ".join(reasons))
            await open_up(context)
            await context.sleep_until(min(due_s, context.clock.unix_s() + LOOK_AGAIN_S))
            target = context.schedule.choose() if context.clock.unix_s() >= due_s else None
            if target is not None and cooling is not None:
                await cooling
                await context.guard.unpark()
                return Next(Phase.ACQUIRING, f"ready; {target.name} is up")
        _leave(cooling)
    return Next(Phase.RETIRING, "nothing is left to do tonight")


def _due_s(context: Context) -> float | None:
    """When something is to be acquired next; None when the night has nothing more to give."""
    schedule = context.schedule
    return None if schedule.over() or schedule.finished() else schedule.due_s()


def _leave(cooling: asyncio.Task[None] | None) -> None:
    if cooling is not None:
        cooling.cancel()


async def connect_safety(context: Context) -> None:
    """Connect mount, roof and station, so that the rig can be made safe. Raises DeviceError."""
    guard = context.guard
    await guard.linked(LINK_DEADLINE_S)
    try:
        async with asyncio.TaskGroup() as group:
            for connect in (guard.connect_mount, guard.connect_roof, guard.connect_station):
                group.create_task(connect())
    except* Exception as several:
        raise several.exceptions[0] from several


async def cool(context: Context, wanted_c: float | None = None) -> None:
    """Cool the sensor to a temperature, or else the configured one; one that does not come there is
    held at what it can hold.
    """
    camera, said = context.rig.camera, context.settings.observatory.camera
    if not said.cooled:
        return
    began_s, ramp = steady_s(), said.cooling_ramp_c_per_min
    wanted_c = said.target_temperature_c if wanted_c is None else wanted_c
    try:
        if camera.is_below(wanted_c):
            await camera.keep_below(wanted_c)
        else:
            await camera.cool(wanted_c, ramp, COOLING_DEADLINE_S)
    except (DeviceLate, DeviceContradicts):
        reached_c = camera.temperature_c
        if reached_c is None:
            raise
        context.log.emit(CoolingFellShort(wanted_c=wanted_c, reached_c=reached_c))
        if reached_c > wanted_c:
            camera.aim_for(SET_POINT_STEP_C * math.ceil(reached_c / SET_POINT_STEP_C))
        return
    context.log.emit(
        SensorCooled(
            temperature_c=camera.temperature_c or wanted_c,
            took_s=steady_s() - began_s,
        )
    )


async def open_up(context: Context) -> None:
    """Open what is not open, with the panel dark; the roof passes a parked telescope only."""
    await _darken_panel(context)
    if not context.guard.is_open:
        await context.guard.park()
        await context.guard.open_roof()
    if context.rig.dust_cap is not None:
        await context.rig.dust_cap.open()


async def _darken_panel(context: Context) -> None:
    """Have a panel dark that a run which was cut short left on; no night is lost for it."""
    panel = context.rig.light_panel
    try:
        if panel is not None and panel.is_ready and panel.is_on:
            await panel.off()
    except DeviceError as error:
        context.log.emit(DeviceTrouble.of(error, "the roof opens all the same"))
