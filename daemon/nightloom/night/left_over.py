"""What a daemon that was killed left half done, when no night goes on with it."""

import asyncio
from collections.abc import Callable
from datetime import date
from functools import partial

from nightloom.errors import FramesNotKept
from nightloom.executor import Executor
from nightloom.frames.pipeline import FramePipeline
from nightloom.frames.recovery import ENDED
from nightloom.ledger import Intent, Ledger, LedgerError, in_time
from nightloom.night.interrupts import unless
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import LeftOverSettled, UpkeepFailed
from nightloom_drivers.clock import Clock


async def settled(
    settings: Settings,
    ledger: Ledger,
    next_night: date,
    compute: Executor,
    store: Executor,
    clock: Clock,
    log: Log,
) -> list[date]:
    """End what was begun, and judge the frames that are on disk; the nights that were cut short.

    What belongs to the night that comes next is left to it. A failure is told, and the rest left
    to the next night.
    """

    def comes_yet(act: Intent) -> bool:
        return act.detail.get("night") == str(next_night)

    try:
        acts = [act for act in await ended_acts(ledger, comes_yet, clock) if not comes_yet(act)]
        cut_short = [date.fromisoformat(act.detail["night"]) for act in acts if act.kind == "night"]
        left = [f"{act.kind} {act.detail}" for act in acts]
        left += [f"sub {sub.uid} {sub.stage}" for sub in ledger.in_flight()]
        left += [f"hash of {frame.uid}" for frame in ledger.to_amend()]
        if left:
            log.emit(LeftOverSettled(unfinished=left))
            folder = settings.observatory.output_folder / "frames"
            pipeline = FramePipeline(
                settings, next_night, folder, ledger, compute, store, clock, log
            )
            await _frames_judged(pipeline)
    except (LedgerError, FramesNotKept) as error:
        log.emit(UpkeepFailed(reason=str(error)))
        return []
    return cut_short


async def ended_acts(
    ledger: Ledger, goes_on: Callable[[Intent], bool], clock: Clock
) -> list[Intent]:
    """Write down that the acts nobody finished are over, but for those that go on; all of them.

    Raises LedgerError.
    """
    unfinished = ledger.unfinished()
    for act in unfinished:
        if not goes_on(act):
            await in_time(partial(ledger.finish, act.id, ENDED, clock.now()))
    return unfinished


async def _frames_judged(pipeline: FramePipeline) -> None:
    async with asyncio.TaskGroup() as group:
        pipeline.begin(group)
        pipeline.recover()
        try:
            await unless([pipeline.watch()], pipeline.drain())
        finally:
            pipeline.stop()
