"""A guard before the simulated rig on virtual time, and the truth of what it let move.

What stands against the guard's rules (a free mount under a closed roof, an open roof by day) is
brought about past it, as another client or a hand would. Truth is read from the world alone.
"""

import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from night.nights import NIGHT, demo
from nightloom.executor import InLine
from nightloom.ledger import Ledger
from nightloom.night.assembly import build_context
from nightloom.night.context import Context
from nightloom.rig import SimulatedRig, assemble, safety_devices, simulated_rig, simulated_sky
from nightloom.safety import Acts, Guard, GuardRefusal, SafetyDevices
from nightloom.schedule.schedule import Schedule
from nightloom.settings import Settings
from nightloom.sky import Site, sidereal_deg, sun_altitude
from nightloom.solving import CatalogueSolver
from nightloom.telemetry import Event, Log
from nightloom_drivers.clock import LoopClock, SteadyClock
from nightloom_drivers.link import State, Value
from nightloom_drivers.physics.site import icrs_deg
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.faults import CONNECT, Faults
from nightloom_drivers.simulators.rig import MOUNT, ROOF
from nightloom_drivers.simulators.simulator import Asked
from nightloom_drivers.virtual_loop import run_virtual

EVENING_S = 1794338000.0
"""2026-11-10, an hour into the dark of the demo observatory."""

MEASURED_S = 70.0
"""By then the station has measured anew: it does so once a minute."""

PRECESSION_DEG = 0.4
"""From 2000 to 2026 by 50.3″ a year (IAU 2006), so far a place of date is from one of ICRS."""

MOVES_MOUNT = ("EQUATORIAL_EOD_COORD", "TELESCOPE_TRACK_STATE", "TELESCOPE_PARK")
MOVES_ROOF = ("DOME_SHUTTER", "DOME_PARK")


class SteppedClock(LoopClock):
    """A calendar that somebody sets."""

    step_s = 0.0

    def unix_s(self) -> float:
        return super().unix_s() + self.step_s


@dataclass(frozen=True)
class Told:
    """A request that came to a driver, and whether the mount was at rest in its park then."""

    device: str
    name: str
    parked: bool


@dataclass(frozen=True)
class Scene:
    """A guard, the devices behind it, what the drivers were told, and what the log heard."""

    settings: Settings
    guard: Guard
    acts: Acts
    devices: SafetyDevices
    rig: SimulatedRig
    faults: Faults
    log: Log
    true: LoopClock
    clock: SteppedClock
    """The daemon's own, which may be set to a wrong time."""
    heard: list[Event] = field(repr=False)
    told: list[Told] = field(repr=False)

    # The truth --------------------------------------------------------------------------------

    @property
    def is_parked(self) -> bool:
        mount, now_s = self.rig.world.mount, self.true.unix_s()
        return mount.is_parked(now_s) and not mount.is_slewing(now_s) and not self.is_tracking

    @property
    def is_tracking(self) -> bool:
        return self.rig.world.mount.is_tracking(self.true.unix_s())

    @property
    def opening(self) -> float:
        """How far the roof is open, 0 to 1."""
        return self.rig.world.roof.position(self.true.unix_s())

    @property
    def hour_angle_h(self) -> float:
        return self.rig.world.mount.hour_angle_h(self.true.unix_s())

    @property
    def left_as(self) -> str:
        closed = self.rig.world.roof.is_closed(self.true.unix_s())
        return f"{'parked' if self.is_parked else 'free'}, {'closed' if closed else 'open'}"

    def moves(self, device: str) -> list[str]:
        """The properties by which a device was told to move, in order."""
        names = MOVES_ROOF if device == ROOF else MOVES_MOUNT
        return [told.name for told in self.told if told.device == device and told.name in names]

    def of(self, kind: type[Event]) -> list[Any]:
        return [event for event in self.heard if isinstance(event, kind)]

    # Past the guard ---------------------------------------------------------------------------

    def receive(self, device: str, name: str, **values: Value) -> None:
        """Another client asks for this."""
        simulator = self.rig.simulator(device)
        simulator.receive("CONNECTION", CONNECT)
        simulator.receive(name, values)

    def reborn(self, device: str, *, says_closed: bool = False) -> None:
        """The device's driver starts again."""
        self.faults.reborn(device, says_closed=says_closed)
        self.rig.simulator(device).watch(self.hear)

    def hear(self, event: object) -> None:
        """Note what a driver was asked."""
        if isinstance(event, Asked):
            self.told.append(Told(event.device, event.name, self.is_parked))

    async def connect(self) -> None:
        """Mount, roof and station, as a night does first."""
        await self.guard.connect_mount()
        await self.guard.connect_roof()
        await self.guard.connect_station()

    async def open_and_free(self) -> None:
        """Connect; the roof is seen to open, and the mount is free, whatever the guard says."""
        await self.connect()
        assert self.devices.roof is not None
        await self.devices.roof.open()
        await self.devices.mount.unpark()

    async def look_at(self, hour_angle_h: float, dec_deg: float) -> None:
        """Have the mount look at a place of date, whatever the guard says."""
        ra_hours = self.sidereal_h() - hour_angle_h
        await self.devices.mount.slew(ra_hours % 24.0, dec_deg)

    # Places -----------------------------------------------------------------------------------

    def sidereal_h(self) -> float:
        longitude_deg = self.settings.observatory.site.longitude_deg
        return float(sidereal_deg(self.true.unix_s(), longitude_deg)) / 15.0

    def place(self, hour_angle_h: float, dec_deg: float) -> tuple[float, float]:
        """Right ascension and declination (ICRS) of a place by its hour angle of date."""
        now_s = self.true.unix_s()
        ra_deg, dec = icrs_deg(now_s, 15.0 * ((self.sidereal_h() - hour_angle_h) % 24.0), dec_deg)
        return float(ra_deg), float(dec)

    # What is refused --------------------------------------------------------------------------

    async def refuses(
        self, request: Awaitable[None], *limits: str, kind: type[GuardRefusal] = GuardRefusal
    ) -> None:
        """It is refused for these limits and no others, and no driver was told to move."""
        before = len(self.moves(MOUNT)), len(self.moves(ROOF))
        opening = self.opening
        with pytest.raises(GuardRefusal) as seen:
            await request
        assert type(seen.value) is kind
        named = re.sub(r"\(.*\)", "", seen.value.limit).split("; ")
        for limit in limits:
            assert limit in seen.value.limit, seen.value.limit
        assert all(any(limit in name for limit in limits) for name in named), named
        assert (len(self.moves(MOUNT)), len(self.moves(ROOF))) == before
        assert self.opening == opening


Story = Callable[[Scene], Awaitable[None]]


def guarded(
    story: Story,
    *,
    at_s: float = EVENING_S,
    changed: tuple[Settings, RigSettings] | None = None,
    ledger: Ledger | None = None,
    acts: Acts | None = None,
) -> None:
    """Tell a story of a guard; nothing is connected at its beginning."""
    settings, simulated = changed or demo()

    async def evening() -> None:
        true, clock = LoopClock(at_s), SteppedClock(at_s)
        heard, told = list[Event](), list[Told]()
        log = Log(clock)
        rig = simulated_rig(simulated, true, 7)
        async with rig.link as link:
            devices = safety_devices(link, settings.observatory, clock)
            known = acts or Acts(ledger, clock)
            guard = Guard(settings, devices, known, SteadyClock(clock), log)
            faults = Faults(rig.link, rig.simulators, rig.world, true)
            scene = Scene(
                settings, guard, known, devices, rig, faults, log, true, clock, heard, told
            )

            for simulator in rig.simulators:
                simulator.watch(scene.hear)
            with log.listen(lambda _, event: heard.append(event)):
                await story(scene)
            if devices.weather is not None:
                devices.weather.close()

    run_virtual(evening())


def context_of(scene: Scene, ledger: Ledger) -> Context:
    """What the phases of a night share, on this rig; its guard is one of its own."""
    return build_context(
        scene.settings,
        assemble(scene.devices.link, scene.settings.observatory, scene.clock),
        scene.devices,
        Schedule(scene.settings, NIGHT, scene.clock, ledger),
        frames_folder=None,
        ledger=ledger,
        log=scene.log,
        clock=scene.clock,
        solver=CatalogueSolver(simulated_sky(scene.rig.world.settings), InLine()),
        compute=InLine(),
        store=InLine(),
    )


def site_of(settings: Settings) -> Site:
    """Where the observatory stands."""
    place = settings.observatory.site
    return Site(place.latitude_deg, place.longitude_deg, place.elevation_m)


def sun_at(altitude_deg: float, *, rising: bool = False) -> float:
    """When the Sun stands so high before, or after, the night of EVENING_S."""
    from_s = EVENING_S + (12 * 3600.0 if rising else -6 * 3600.0)
    times = np.arange(from_s - 4 * 3600.0, from_s + 6 * 3600.0, 10.0)
    height = sun_altitude(site_of(demo()[0]), times)
    way = np.diff(height) > 0.0 if rising else np.diff(height) < 0.0
    off = np.where(way, np.abs(height[:-1] - altitude_deg), np.inf)
    assert off.min() < 0.1
    return float(times[int(np.argmin(off))])


def with_(
    mount: dict[str, Any] | None = None,
    roof: dict[str, Any] | None = None,
    *,
    without: str = "",
) -> tuple[Settings, RigSettings]:
    """The demo observatory with changes to mount and roof, or without one of its devices."""
    settings, simulated = demo()
    observatory = settings.observatory
    assert observatory.roof is not None
    update: dict[str, Any] = {
        "mount": observatory.mount.model_copy(update=mount or {}),
        "roof": observatory.roof.model_copy(update=roof or {}),
        **({without: None} if without else {}),
    }
    return replace(settings, observatory=observatory.model_copy(update=update)), simulated


def deaf_to_closing(scene: Scene) -> None:
    """The roof's driver says that it is closed and does nothing when told so, until it opens.

    So do INDI's dome drivers whose limit switches are not read.
    """
    roof = scene.rig.simulator(ROOF)
    roof.receive("CONNECTION", CONNECT)
    for name, values in (
        ("DOME_PARK", {"PARK": True, "UNPARK": False}),
        ("DOME_SHUTTER", {"SHUTTER_OPEN": False, "SHUTTER_CLOSE": True}),
    ):
        roof.publish(name, State.OK, **values)
    opened = False

    def hears(name: str, values: Any) -> bool:
        nonlocal opened
        opened = opened or (name in MOVES_ROOF and values.get("SHUTTER_OPEN") is True)
        return name not in MOVES_ROOF or opened

    roof.hears = hears
