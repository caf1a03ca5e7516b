"""Pausing: open or closed as it was, with nothing exposed and nothing moved, until told to go on.

The mount stands still: so no pause, however long, leads it to a limit of its pier. A pause is no
protection for hands: bad weather and the end of the dark move mount and roof all the same. Cut the
power before reaching into the rig.
"""

import asyncio
from typing import Literal

from nightloom.night.context import Context
from nightloom.night.interrupts import unless
from nightloom.night.phases import Next, Phase
from nightloom.night.ready import connect_safety


async def pause(context: Context) -> Next[Literal[Phase.READYING]]:
    """Let go of the guide stars, stand still, and wait for a person.

    Mount, roof and station are connected where a daemon starts anew into a pause: the weather is
    watched, and the rig can be made safe. Raises DeviceError.
    """
    async with asyncio.TaskGroup() as group:
        group.create_task(context.guiding.stop("a person asked for a pause"))
        await connect_safety(context)
    await unless([context.guard.keep_still()], context.desk.until_resumed())
    return Next(Phase.READYING, "a person said to go on")
