"""Pausing: open or closed as it was, with nothing exposed and nothing moved, until told to go on.

The mount stands still: so no pause, however long, leads it to a limit of its pier. A pause is no
protection for hands: one that lasts, bad weather and the end of the dark park the mount and close
the roof. Cut the power before reaching into the rig.
"""

import asyncio
from typing import Literal

from nightloom.night.context import Context
from nightloom.night.desk import OPEN_PAUSE_S
from nightloom.night.interrupts import first, unless
from nightloom.night.phases import Next, Phase
from nightloom.night.ready import connect_safety
from nightloom.safety import make_safe


async def pause(context: Context) -> Next[Literal[Phase.READYING]]:
    """Let go of the guide stars, stand still, and wait for a person.

    Mount, roof and station are connected where a daemon starts anew into a pause: the weather is
    watched, and the rig can be made safe. Raises DeviceError and NotSafe.
    """
    async with asyncio.TaskGroup() as group:
        group.create_task(context.guiding.stop("a person asked for a pause"))
        await connect_safety(context)
    resumed = context.desk.until_resumed
    await unless([context.guard.keep_still()], first(resumed(), asyncio.sleep(OPEN_PAUSE_S)))
    if context.desk.paused_by:  # who asked may have gone: a roof is open for something
        await first(resumed(), _close(context))
    return Next(Phase.READYING, "a person said to go on")


async def _close(context: Context) -> None:
    """Park and close, and wait for a person all the same. Raises NotSafe."""
    await make_safe(context.guard, context.log)
    await context.desk.until_resumed()
