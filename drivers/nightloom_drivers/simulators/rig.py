"""All devices of the simulated rig, around one world."""

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from nightloom_drivers.clock import Clock
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.physics.cameras import Window
from nightloom_drivers.physics.site import icrs_deg
from nightloom_drivers.physics.sky import airmass
from nightloom_drivers.physics.sphere import unit
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.sent import Sent
from nightloom_drivers.simulators.camera import CameraSimulator, Chip, Exposed
from nightloom_drivers.simulators.dust_cap import DustCapSimulator
from nightloom_drivers.simulators.fits import Card
from nightloom_drivers.simulators.focuser import FocuserSimulator
from nightloom_drivers.simulators.light_panel import LightPanelSimulator
from nightloom_drivers.simulators.mount import MountSimulator
from nightloom_drivers.simulators.power_switch import CHANNELS, PowerSwitchSimulator, element_of
from nightloom_drivers.simulators.roof import RoofSimulator
from nightloom_drivers.simulators.simulator import Simulator
from nightloom_drivers.simulators.weather import WeatherSimulator
from nightloom_drivers.simulators.wheel import WheelSimulator

BINNING_MAX = 4

CAMERA = "Rig Camera"
GUIDE_CAMERA = "Rig Guide Camera"
WHEEL = "Rig Wheel"
FOCUSER = "Rig Focuser"
MOUNT = "Rig Mount"
STATION = "Rig Weather"
ROOF = "Rig Roof"
LIGHT_PANEL = "Rig Light Panel"
DUST_CAP = "Rig Dust Cap"
POWER_SWITCH = "Rig Power Switch"


@dataclass(frozen=True)
class Rig:
    """The world, and the devices through which it is seen and moved."""

    world: World
    simulators: list[Simulator]


def read_settings(folder: Path | None) -> RigSettings:
    """The settings in a folder's rig.toml; without a folder, the built-in ones.

    Raises OSError without the file, and ValueError (of tomllib or pydantic) for a wrong one.
    """
    if folder is None:
        return RigSettings()
    return RigSettings.model_validate(tomllib.loads((folder / "rig.toml").read_text("utf-8")))


def build_rig(
    settings: RigSettings, clock: Clock, seed: int, sent: Sent = Sent.PIXELS, night: int = 0
) -> Rig:
    """A rig that begins at the clock's present; call it while the clock's loop runs."""
    world = World(settings, seed, clock.unix_s(), sent, night)
    return Rig(world, fresh_simulators(world, clock))


def fresh_simulators(world: World, clock: Clock) -> list[Simulator]:
    """All devices of a world as their drivers have just started, in the order of DEVICES."""
    simulators = [start(device, world, clock) for device, start in SIMULATORS.items()]
    for simulator in simulators:
        simulator.powered = partial(world.outlets.is_on, simulator.device)
    return simulators


def _main_chip(world: World) -> Chip:
    optics = world.settings.optics
    return Chip(
        world.settings.sensor,
        world.listing_camera.expose if world.sent is Sent.STARS else world.camera.expose,
        (optics.focal_length_mm, optics.aperture_mm),
        world.cooler,
        BINNING_MAX,
        lambda t_s: _context(world, t_s),
        world.dated,
    )


def _guide_chip(world: World) -> Chip:
    """The guide camera does not bin."""
    listing = world.sent is Sent.STARS
    camera = world.listing_guide_camera if listing else world.guide_camera

    def expose(t_s: float, exposure_s: float, kind: FrameKind, part: Window, _: int) -> Exposed:
        return camera.expose(t_s, exposure_s, kind, part)

    guide = world.settings.guide
    telescope = guide.optics.focal_length_mm, guide.optics.aperture_mm
    return Chip(guide.sensor, expose, telescope, dated=world.dated)


def _context(world: World, t_s: float) -> list[Card]:
    """What the main camera's header says of the other devices; places as the mount reports them."""
    ra_h, dec_deg = world.mount.reported(t_s)
    ra_deg, dec_j2000_deg = icrs_deg(t_s, ra_h * 15.0, dec_deg)
    altitude_deg = float(world.site.altaz_deg(t_s, unit(ra_h * 15.0, dec_deg))[0])
    filter_ = world.wheel.filter(t_s)
    site = world.settings.site
    return [
        ("FILTER", filter_.name if filter_ else "", "filter"),
        ("FOCUSPOS", world.focuser.position(t_s), "[step] focuser"),
        ("FOCUSTEM", round(world.weather.temperature_c(t_s), 2), "[deg C] at the focuser"),
        ("OBJCTRA", _sexagesimal(ra_deg / 15.0, 2), "[h m s] J2000, by the mount"),
        ("OBJCTDEC", _sexagesimal(dec_j2000_deg, 1, sign=True), "[d m s] J2000, by the mount"),
        ("RA", round(ra_deg, 6), "[deg] J2000, by the mount"),
        ("DEC", round(dec_j2000_deg, 6), "[deg] J2000, by the mount"),
        ("PIERSIDE", world.mount.pier_side(t_s).upper(), "side of the pier"),
        ("AIRMASS", round(airmass(altitude_deg), 4), "at the start"),
        ("SITELAT", site.latitude_deg, "[deg] north"),
        ("SITELONG", site.longitude_deg, "[deg] east"),
        ("SITEELEV", site.elevation_m, "[m]"),
    ]


def _sexagesimal(value: float, decimals: int, *, sign: bool = False) -> str:
    """Hours or degrees as three numbers, rounded as a whole so that no 60 can appear."""
    unit_ = 10**decimals
    total = round(abs(value) * 3600 * unit_)
    minutes, seconds = divmod(total, 60 * unit_)
    whole, minutes = divmod(minutes, 60)
    mark = "" if not sign else "-" if value < 0 else "+"
    return f"{mark}{whole:02d} {minutes:02d} {seconds / unit_:0{3 + decimals}.{decimals}f}"


def _focuser(device: str, world: World, clock: Clock) -> Simulator:
    return FocuserSimulator(device, world.focuser, clock, world.weather.temperature_c)


def _roof(device: str, world: World, clock: Clock) -> Simulator:
    def mount_is_parked() -> bool:
        return world.mount.is_parked(clock.unix_s())

    return RoofSimulator(device, world.roof, clock, mount_is_parked)


SIMULATORS: Mapping[str, Callable[[str, World, Clock], Simulator]] = {
    CAMERA: lambda device, world, clock: CameraSimulator(device, _main_chip(world), clock),
    GUIDE_CAMERA: lambda device, world, clock: CameraSimulator(device, _guide_chip(world), clock),
    WHEEL: lambda device, world, clock: WheelSimulator(device, world.wheel, clock),
    FOCUSER: _focuser,
    MOUNT: lambda device, world, clock: MountSimulator(device, world.mount, clock, world.settings),
    STATION: lambda device, world, clock: WeatherSimulator(device, world.weather, clock),
    ROOF: _roof,
    LIGHT_PANEL: lambda device, world, clock: LightPanelSimulator(device, world.panel, clock),
    DUST_CAP: lambda device, world, clock: DustCapSimulator(device, world.cap, clock),
    POWER_SWITCH: lambda device, world, _: PowerSwitchSimulator(device, world.outlets, FED),
}
"""The rig's devices by their INDI names, and how each starts."""

FED: tuple[str, ...] = tuple(device for device in SIMULATORS if device != POWER_SWITCH)
"""The devices that hang on the power switch, in the order of its outlets."""

DEVICES = tuple(SIMULATORS)
"""INDI names of the rig's devices, in the order of `Rig.simulators`."""


def outlet_of(device: str) -> tuple[str, str]:
    """Vector and element of the outlet that feeds one of the rig's devices."""
    return CHANNELS, element_of(FED.index(device))
