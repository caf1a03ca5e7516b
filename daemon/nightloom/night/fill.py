"""Filling the library by day: darks, biases and panel flats, parked and closed."""

from nightloom.calibration_frames.library import needs_of
from nightloom.calibration_frames.needs import Need, set_points_c
from nightloom.night.calibrate import tell_end, told
from nightloom.night.closing_up import beside
from nightloom.night.context import Context
from nightloom.night.darks import take_darks
from nightloom.night.flats import take_panel_flats
from nightloom.night.interrupts import first
from nightloom.night.ready import LINK_DEADLINE_S, connect_safety, cool
from nightloom.night.retire import warm
from nightloom.safety import make_safe
from nightloom.settings import Settings
from nightloom_drivers.frame_kind import FrameKind

NOT_BY_DAY = {"guide_camera", "guide_port"}
"""Roles that nothing is asked of."""


def kinds_by_day(settings: Settings) -> frozenset[FrameKind]:
    """The kinds that can be taken behind a closed roof."""
    panel = settings.observatory.light_panel is not None
    flats = panel and settings.policies.calibration.flats_of == "panel"
    return frozenset({FrameKind.BIAS, FrameKind.DARK, *([FrameKind.FLAT] if flats else [])})


def lacking_by_day(context: Context) -> list[Need]:
    """What lacks of them, whether or not the camera is set for it. Raises LedgerError."""
    found = needs_of(context.ledger, context.settings, context.clock.now())
    return [one for one in found if one.missing and one.kind in kinds_by_day(context.settings)]


async def fill(context: Context) -> None:
    """Park and close, cool, take what can be taken, and warm up.

    A person who asks for the end ends it after what moves has come to rest. Raises DeviceError,
    NotSafe and LedgerError.
    """
    if not lacking_by_day(context):
        tell_end(context)
        return
    await connect_safety(context)
    await make_safe(context.guard, context.log)
    await context.rig.connect(LINK_DEADLINE_S, without=NOT_BY_DAY)
    await beside(context, "it is day")
    context.focusing.begin()
    try:
        await first(_taken(context), context.stop.wait())
    finally:
        await warm(context)
    tell_end(context)


async def _taken(context: Context) -> None:
    """Darks and biases at each temperature that is asked for, flats at the usual one."""
    usual_c = context.settings.observatory.camera.target_temperature_c
    wanted = lacking_by_day(context)
    set_points = set_points_c(wanted, usual_c)
    flats = any(need.kind is FrameKind.FLAT for need in wanted)
    if flats and usual_c not in set_points:
        set_points.insert(0, usual_c)
    for wanted_c in set_points:
        await cool(context, wanted_c)
        await told(context, take_darks(context))
        if flats and wanted_c == usual_c:
            await told(context, take_panel_flats(context))
