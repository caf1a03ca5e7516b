"""The one place where a rig is put together, from real devices or simulated ones.

Everything above sees the same typed devices over a link and cannot tell which it is.
"""

import asyncio
import multiprocessing
import socket
from collections.abc import AsyncIterator, Callable, Iterator, Set
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from typing import TypeVar

from nightloom.frames.listed import measure_listed
from nightloom.frames.measuring import OF_PIXELS, Measuring
from nightloom.guiding.listed import as_it_is, find_listed, unchanged
from nightloom.guiding.listed import measure_listed as measure_guide_listed
from nightloom.guiding.measuring import OF_GUIDE_PIXELS, GuideMeasuring
from nightloom.likeness import likeness
from nightloom.roles import ROLES
from nightloom.safety import SafetyDevices
from nightloom.seen_sensors import Seen
from nightloom.settings import Observatory, Settings
from nightloom.settings.observatory import Outlet, Weather
from nightloom.settings.observatory import PowerSwitch as PowerSwitchSection
from nightloom.solving.catalogue_solver import StarSource
from nightloom.telemetry.events import LikenessAssumed
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import (
    Camera,
    Device,
    DustCap,
    FilterWheel,
    Focuser,
    GuidePort,
    LightPanel,
    PowerSwitch,
    stated_unit,
)
from nightloom_drivers.leash import end_with
from nightloom_drivers.link import Link, LoopbackLink
from nightloom_drivers.link.indi import IndiLink
from nightloom_drivers.physics.starfield import star_source
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.sent import Sent
from nightloom_drivers.serve import Options as RigOptions
from nightloom_drivers.serve import serve
from nightloom_drivers.simulators.rig import STATION, build_rig, outlet_of
from nightloom_drivers.simulators.simulator import Simulator
from nightloom_drivers.simulators.weather import LABELS

SERVER_STARTS_S = 60.0
"""A simulated rig's process has to import half of the scientific Python before it answers."""

OF_LISTS = (
    Measuring(measure_listed, measure_listed),
    GuideMeasuring(find_listed, measure_guide_listed, unchanged, as_it_is),
)
"""What frames without pixels are measured by: the main camera's, and the guide camera's."""

Filled = TypeVar("Filled")


@dataclass(frozen=True)
class Rig:
    """The instruments of the observatory over one link, by role; those it does not have are None.

    Mount, roof and weather station are the guard's: see `safety_devices`.
    """

    link: Link
    camera: Camera
    guide_camera: Camera
    wheel: FilterWheel
    focuser: Focuser
    guide_port: GuidePort
    dust_cap: DustCap | None
    light_panel: LightPanel | None
    """Connected when it is needed first, as is the power switch: a night does without either."""
    power: PowerSwitch | None
    measuring: Measuring = OF_PIXELS
    guide_measuring: GuideMeasuring = OF_GUIDE_PIXELS
    """What finds the stars in its cameras' frames."""

    def devices(self, without: Set[str] = frozenset()) -> Iterator[Device]:
        """Every instrument that the observatory has, but for some roles."""
        for role, part in vars(self).items():
            if isinstance(part, Device) and role not in without:
                yield part

    async def connect(self, deadline_s: float, without: Set[str] = frozenset()) -> None:
        """Wait for the link and switch every instrument on. Raises DeviceError."""
        await self.link.linked(deadline_s)
        try:
            async with asyncio.TaskGroup() as group:
                for device in self.devices(without):
                    if device not in (self.light_panel, self.power):
                        group.create_task(device.connect())
        except* Exception as several:
            raise several.exceptions[0] from several


def assemble(link: Link, observatory: Observatory, clock: Clock, sent: Sent = Sent.PIXELS) -> Rig:
    """The observatory's instruments over a link, real or simulated, whatever its cameras send."""
    rig = _filled(Rig, link, observatory, clock, guarded=False)
    if sent is Sent.PIXELS:
        return rig
    main, guide = OF_LISTS
    return replace(rig, measuring=main, guide_measuring=guide)


def safety_devices(link: Link, observatory: Observatory, clock: Clock) -> SafetyDevices:
    """Mount, roof and weather station, to be handed to the guard and to nobody else."""
    return _filled(SafetyDevices, link, observatory, clock, guarded=True)


def _filled(
    whole: Callable[..., Filled],
    link: Link,
    observatory: Observatory,
    clock: Clock,
    *,
    guarded: bool,
) -> Filled:
    """A whole of devices with a field for each of its roles."""
    devices = {
        role.section: role.filled(link, observatory, clock)
        for role in ROLES
        if role.guarded is guarded
    }
    return whole(link=link, **devices)


@dataclass(frozen=True)
class SimulatedRig:
    """A rig in this process: the link that leads to it, its devices, and the truth behind them."""

    link: LoopbackLink
    world: World

    @property
    def simulators(self) -> list[Simulator]:
        """The devices of the moment: one that was replaced behind the link is its successor."""
        return [one for one in self.link.responders if isinstance(one, Simulator)]

    def simulator(self, device: str) -> Simulator:
        """The device of this INDI name. Raises StopIteration when there is none."""
        return next(one for one in self.simulators if one.device == device)


def simulated_rig(
    settings: RigSettings, clock: Clock, seed: int, sent: Sent = Sent.PIXELS, night: int = 0
) -> SimulatedRig:
    """A simulated rig that begins at the clock's present, over a loopback.

    `night` numbers its nights from 0: the rig is the seed's, the sky each night's own.
    """
    built = build_rig(settings, clock, seed, sent, night)
    return SimulatedRig(LoopbackLink(built.simulators), built.world)


@asynccontextmanager
async def served_link(
    settings: RigSettings,
    seed: int,
    speed: float,
    start_s: float,
    origin_s: float,
    serving: Callable[[RigOptions, tuple[str, int]], int] = serve,
) -> AsyncIterator[Link]:
    """A link through a real socket to a simulated rig in a process of its own.

    Its clock stands at `start_s` when the machine's monotonic seconds are `origin_s`, and runs
    `speed` times as fast. `serving` is what the process runs.
    """
    with socket.create_server(("127.0.0.1", 0)) as found:
        host, port = found.getsockname()
    options = RigOptions(settings, seed, speed, start_s, origin_s, ())
    server = multiprocessing.get_context("spawn").Process(
        target=_serve_leashed, args=(serving, options, (host, port)), daemon=True
    )
    server.start()
    try:
        async with IndiLink(host, port, answer_s=SERVER_STARTS_S) as link:
            yield link
    finally:
        server.terminate()
        server.join()


def _serve_leashed(
    serving: Callable[[RigOptions, tuple[str, int]], int],
    options: RigOptions,
    address: tuple[str, int],
) -> int:
    """What the rig's process runs: it ends with the one that it is simulated for."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    assert parent.pid is not None
    end_with(parent.pid)
    return serving(options, address)


def simulated_sky(settings: RigSettings) -> StarSource:
    """The stars that the simulated cameras see, for a solver that has a catalogue of its own."""
    return star_source(settings.stars, settings.star_limit_mag)


def simulated_settings(
    settings: Settings, seen: Seen | None = None
) -> tuple[Settings, RigSettings]:
    """The settings with the simulated devices in place of the configured ones, and what these are.

    Without a rig.toml the simulated rig is the observatory's likeness, with the sensors that were
    `seen` where it leaves their size out. A camera whose pixels the
    settings leave out has the simulated one's.
    """
    observatory = settings.observatory
    rig = settings.rig if isinstance(settings.rig, RigSettings) else likeness(observatory, seen).rig
    named = {
        role.section: getattr(observatory, role.section).model_copy(
            update={"device": role.simulated}
        )
        for role in ROLES
        if role.said(observatory) and not role.plural
    }
    if observatory.power is not None:
        named["power"] = _simulated_outlets(named["power"])
    if named["camera"].pixel_um is None:
        pixel_um = {"pixel_um": rig.sensor.pixel_um}
        named["camera"] = named["camera"].model_copy(update=pixel_um)
    stations = tuple(_simulated_station(said) for said in observatory.weather[:1])
    named |= {"weather": stations}
    return replace(settings, observatory=observatory.model_copy(update=named)), rig


def assumptions(settings: Settings, seen: Seen | None = None) -> tuple[LikenessAssumed, ...]:
    """What the simulated rig of some settings assumes; nothing where a rig.toml states it all."""
    if isinstance(settings.rig, RigSettings):
        return ()
    return likeness(settings.observatory, seen).assumed


def _simulated_station(said: Weather) -> Weather:
    """The simulated station in the place of one: of its limits those that this one can keep."""
    kept = {
        name: limit
        for name, limit in said.limits.items()
        if stated_unit(LABELS.get(name, "")) == limit.limit.unit
    }
    return said.model_copy(update={"device": STATION, "limits": kept})


def _simulated_outlets(power: PowerSwitchSection) -> PowerSwitchSection:
    """The same roles on the simulated box."""
    fed = {role.section: role.simulated for role in ROLES}
    outlets = {}
    for role in power.outlets:
        vector, element = outlet_of(fed[role])
        outlets[role] = Outlet(vector=vector, element=element)
    return power.model_copy(update={"outlets": outlets})
