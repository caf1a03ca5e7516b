"""Which part a fault is of, what is done before it is asked again, and going on without it."""

from nightloom.executor import NotComputed
from nightloom.faults import Between, Part, Row, Then
from nightloom.ledger import LedgerBusy
from nightloom.night.context import Context
from nightloom.settings import Observatory
from nightloom.telemetry.events import DeviceTrouble, GoneOnWithout
from nightloom_drivers.devices import Device
from nightloom_drivers.errors import DeviceError

PULSES, GUIDE_HEAD = "TELESCOPE_TIMED_GUIDE", "GUIDER_"
"""How properties of a guide port, and of a guide head in the main camera, begin (INDI standard)."""

SECTIONS = tuple(part for part in Part if part not in (Part.LINK, Part.COMPUTER, Part.GUARD))


def part_of(error: Exception, observatory: Observatory, *, linked: bool) -> Part:
    """What failed. Two parts may be of one device: then the property tells them apart."""
    if isinstance(error, (NotComputed, LedgerBusy)):
        return Part.COMPUTER
    if not isinstance(error, DeviceError):
        return Part.GUARD
    named = [part for part in SECTIONS if error.device in _device_names(observatory, part)]
    if not linked or not named:
        return Part.LINK
    if Part.GUIDE_PORT in named and error.property_name.startswith(PULSES):
        return Part.GUIDE_PORT
    if Part.GUIDE_CAMERA in named and error.property_name.startswith(GUIDE_HEAD):
        return Part.GUIDE_CAMERA
    others = [part for part in named if part is not Part.GUIDE_PORT]
    return (others or named)[0]


def _device_names(observatory: Observatory, part: Part) -> tuple[str, ...]:
    """The devices of a part: of weather stations there may be several, of what is left out none."""
    if part is Part.WEATHER:
        return tuple(station.device for station in observatory.weather)
    section = getattr(observatory, part.value)
    return () if section is None else (str(section.device),)


async def mend(context: Context, part: Part, between: Between) -> None:
    """Do what is done before the next try; what fails is told, and left to that try."""
    if part not in SECTIONS or between is Between.WAIT:
        return
    try:
        power = context.rig.power
        if between is Between.POWER and power is not None and _may_be_cut(context, part):
            await power.cycle(part.value)
        await _connect_anew(context, part)
    except DeviceError as error:
        context.log.emit(DeviceTrouble.of(error, f"{between.value} did not help so far"))


def _may_be_cut(context: Context, part: Part) -> bool:
    """Whether its power may: an outlet is named for it, and it is no mount or roof as well."""
    observatory, power = context.settings.observatory, context.rig.power
    moves = [name for one in (Part.MOUNT, Part.ROOF) for name in _device_names(observatory, one)]
    named = power is not None and part.value in power.roles
    return named and not set(moves) & set(_device_names(observatory, part))


async def _connect_anew(context: Context, part: Part) -> None:
    match part:
        case Part.MOUNT | Part.GUIDE_PORT:
            await context.guard.connect_mount(anew=True)
        case Part.ROOF:
            await context.guard.connect_roof(anew=True)
        case Part.WEATHER:
            await context.guard.connect_station()
        case _:
            device = getattr(context.rig, part.value, None)
            if isinstance(device, Device):
                await device.reconnect()


def go_on_without(context: Context, part: Part, row: Row, error: Exception) -> bool:
    """Go on without a part for the row's time, if that is possible; whether it is."""
    for_s = row.again_s
    match part:
        case Part.GUIDE_CAMERA | Part.GUIDE_PORT:
            possible = context.settings.policies.guiding.unguided_s is not None
            how = "shorter subs without guiding"
        case Part.WHEEL:
            possible, how = context.target_run.keep_filter(), "in the filter that it is in"
        case Part.FOCUSER:
            possible = context.focusing.proven  # else nobody knows whether it stands in focus
            how = "the focuser holds its place; star sizes are watched"
            if possible:
                context.focusing.hold_place(for_s)
        case _:
            possible, how = False, ""
    if possible:
        context.given_up.give_up(part, context.clock.unix_s() + for_s)
        context.log.emit(GoneOnWithout(part=part.value, how=how, reason=str(error), mend=row.mend))
    return possible


def tries_of(context: Context, part: Part, row: Row) -> float:
    """How often a part is asked: one that was given up before is not waited for again."""
    return 1 if Then.WITHOUT in row.then and context.given_up.was(part) else row.tries
