"""Calibrating: darks, biases and flats once the night's lights are done, and beside waiting.

Never at the cost of a light: what waits for the sky or the weather ends it at once, and a night
that may yet take lights takes nothing else.
"""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Literal

from nightloom.calibration_frames.library import lacking_in_words, needs_of
from nightloom.frames import FrameExists, FrameNotWritten
from nightloom.frames.measuring import OF_PIXELS
from nightloom.ledger import LedgerError
from nightloom.night.closing_up import beside
from nightloom.night.context import Context
from nightloom.night.darks import DARK_KINDS, NotDark, take_darks
from nightloom.night.flats import FLATS, take_panel_flats
from nightloom.night.interrupts import first, strongest
from nightloom.night.library_shots import lacking
from nightloom.night.phases import Next, Phase
from nightloom.night.sky_flats import morning, take_sky_flats
from nightloom.safety import GuardRefusal, make_safe
from nightloom.sky import Interval
from nightloom.telemetry.events import (
    CalibrationEnded,
    CalibrationLeft,
    DarksRefused,
    DeviceTrouble,
    LightLeaked,
)
from nightloom_drivers.errors import DeviceError
from nightloom_drivers.frame_kind import FrameKind

CLOUD_STAYS_S = 300.0
"""A cloud that is there for so long mostly stays: before, wheel and camera wait for the stars."""


def kinds_of(context: Context) -> frozenset[FrameKind]:
    """The kinds that a night takes by itself; none where cameras send lists of stars."""
    if context.rig.measuring is not OF_PIXELS:
        return frozenset()
    return frozenset(map(FrameKind, context.settings.policies.calibration.night_takes))


def calibrates(context: Context) -> bool:
    """Whether the night goes on with calibration frames when it is parked and closed."""
    if context.calibration_over or context.desk.ends or context.stop.is_set():
        return False
    kinds, camera = kinds_of(context), context.rig.camera
    if not kinds or context.schedule.cut_early or not camera.is_ready:
        return False
    try:
        return bool(lacking(context, kinds))
    except LedgerError:
        return False


async def calibrate(context: Context) -> Next[Literal[Phase.RETIRING]]:
    """Take what is lacking: darks until the sky is bright enough for its flats, those, the rest.

    Raises GuardRefusal, NotSafe.
    """
    context.calibration_over = True  # it does not begin again after trouble
    policy, kinds = context.settings.policies.calibration, kinds_of(context)
    by_s = context.clock.unix_s() + policy.after_night_max_s
    span = morning(context) if FrameKind.FLAT in kinds and policy.flats_of == "sky" else None
    if span is not None and span.start_unix_s < by_s and lacking(context, FLATS):
        await _until(context, span.start_unix_s, told(context, take_darks(context, kinds)))
        await context.sleep_until(span.start_unix_s)
        await _under_the_sky(context, span)
    if FrameKind.FLAT in kinds and policy.flats_of == "panel":
        await _until(context, by_s, told(context, take_panel_flats(context)))
    await _until(context, by_s, told(context, take_darks(context, kinds)))
    tell_end(context)
    return Next(Phase.RETIRING, "what could be taken is taken")


async def _under_the_sky(context: Context, span: Interval) -> None:
    """Flats of the sky, and parked and closed again."""
    await _until(context, span.end_unix_s, told(context, take_sky_flats(context, span)))
    async with asyncio.TaskGroup() as group:
        group.create_task(beside(context, "flats are taken"))
        await make_safe(context.guard, context.log)


async def _until(context: Context, ends_s: float, work: Coroutine[object, object, None]) -> None:
    """Do it, as far as it comes by a moment in Unix seconds."""
    await first(work, context.sleep_until(ends_s))


async def told(context: Context, work: Coroutine[object, object, None]) -> None:
    """Do it; trouble ends calibration frames for now and nothing else."""
    try:
        await work
    except Exception as error:
        one = strongest(error) if isinstance(error, BaseExceptionGroup) else error
        match one:
            case DeviceError():
                context.log.emit(DeviceTrouble.of(one, "no more calibration frames for now"))
            case NotDark():
                context.log.emit(LightLeaked(reason=str(one)))
            case FrameNotWritten() | FrameExists() | LedgerError() | GuardRefusal():
                context.log.emit(CalibrationLeft(reason=str(one)))
            case _:
                raise


@asynccontextmanager
async def calibrating_beside(context: Context, *, closed: bool) -> AsyncIterator[None]:
    """Take darks and biases while something is waited for; they end with the block.

    Under an open roof only a camera with a shutter is dark, which its first dark tells.
    """
    kinds = kinds_of(context) & DARK_KINDS
    if not kinds or context.calibration_over or (context.darks_refused and not closed):
        yield
        return
    work = _closed(context, kinds) if closed else _in_the_open(context, kinds)
    task = asyncio.create_task(work)
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait([task])
        if not task.cancelled():
            task.result()


async def _closed(context: Context, kinds: frozenset[FrameKind]) -> None:
    await context.pipeline.downloaded()
    await told(context, take_darks(context, kinds))


async def _in_the_open(context: Context, kinds: frozenset[FrameKind]) -> None:
    await asyncio.sleep(CLOUD_STAYS_S)
    await context.pipeline.downloaded()
    await told(context, _refusing(context, kinds))


async def _refusing(context: Context, kinds: frozenset[FrameKind]) -> None:
    try:
        await take_darks(context, kinds)
    except NotDark as light:
        context.darks_refused = True
        context.log.emit(DarksRefused(reason=str(light)))


def tell_end(context: Context) -> None:
    """Say what this night took, and what is lacking still."""
    try:
        night = str(context.schedule.night)
        taken = Counter(one.kind for one in context.ledger.calibration_frames(night=night))
        found = needs_of(context.ledger, context.settings, context.clock.now())
    except LedgerError as error:
        context.log.emit(CalibrationLeft(reason=str(error)))
        return
    context.log.emit(
        CalibrationEnded(
            biases=taken[FrameKind.BIAS],
            darks=taken[FrameKind.DARK],
            flats=taken[FrameKind.FLAT],
            lacking=lacking_in_words(found),
        )
    )
