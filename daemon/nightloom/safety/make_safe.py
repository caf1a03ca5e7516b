"""The way to safety: parked and closed, from any state, with nothing but a mount and a roof.

A roof crushes a telescope that stands in its way, and rain drowns one under an open roof; which of
the two is worse is the owner's to say (`roof.clears`). Keep a way to cut the power, and somebody to
call: this raises where it has done what it can.
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Protocol

from nightloom.faults import Act, row_of
from nightloom.safety.guard import Guard, GuardRefusal
from nightloom.telemetry import Log
from nightloom.telemetry.events import DeviceTrouble
from nightloom_drivers.errors import DeviceError

LINK_DEADLINE_S = 120.0
"""Without a link nothing can be moved; by then a server that was started again is back."""


class NotSafe(Exception):
    """The rig could not be parked and closed; the text says what is left, and why."""


class Connect(Protocol):
    """Have a device connected; `anew` switches it off and on."""

    async def __call__(self, *, anew: bool) -> None: ...


async def make_safe(guard: Guard, log: Log) -> None:
    """Park and close, connecting only mount and roof. Does nothing where both were seen to.

    What does not come within its deadline is tried once more, connected anew. Raises NotSafe.
    """
    if guard.is_safe:
        return
    try:
        await guard.linked(LINK_DEADLINE_S)
    except DeviceError as gone:
        raise NotSafe(f"neither parked nor closed: {gone}") from gone

    async def park() -> str:
        return await _tried("parked", guard.connect_mount, guard.park, log)

    async def close() -> str:
        return await _tried("closed", guard.connect_roof, guard.close_roof, log)

    if guard.roof_clears_always:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(park()), group.create_task(close())]
        unparked, unclosed = (task.result() for task in tasks)
    else:
        async with asyncio.TaskGroup() as group:  # it is there when the mount is parked
            group.create_task(_ready(guard.connect_roof, log))
            parking = group.create_task(park())
        unparked = parking.result()
        unclosed = "" if unparked else await close()
    if unparked:
        await _stand_still(guard, log)
    problems = [problem for problem in (unparked, unclosed) if problem]
    if problems:
        raise NotSafe("; ".join(problems))


async def _tried(done: str, connect: Connect, act: Callable[[], Awaitable[None]], log: Log) -> str:
    """Act on a device, and once more connected anew; why it failed, or nothing."""
    problem, tries = "", int(row_of(Act.SAFETY).tries)
    for number in range(tries):
        anew, last = number > 0, number + 1 == tries
        try:
            await connect(anew=anew)
            await act()
        except DeviceError as error:
            problem = f"not {done}: {error}"
            log.emit(DeviceTrouble.of(error, "given up for now" if last else "connected anew"))
        except GuardRefusal as refusal:
            return f"not {done}: {refusal}"
        else:
            return ""
    return problem


async def _ready(connect: Connect, log: Log) -> None:
    """Connect early; what fails is tried again, and told, when it is needed."""
    try:
        await connect(anew=False)
    except DeviceError as error:
        log.emit(DeviceTrouble.of(error, "connected again when the mount is parked"))


async def _stand_still(guard: Guard, log: Log) -> None:
    """A mount that does not park must at least not track into its pier, or into the Sun."""
    try:
        await guard.stand_still()
    except DeviceError as error:
        log.emit(DeviceTrouble.of(error, "a person must stop the mount"))
