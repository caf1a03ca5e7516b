"""Scenes played by hand on the simulated rig, without a daemon, under the eyes of the observer."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from night.nights import demo
from nightloom.rehearsal.observer import Finding, Observer, TakenSub
from nightloom.rig import SimulatedRig, simulated_rig
from nightloom.settings import Settings
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link.vector import Event, Received, Value
from nightloom_drivers.physics.site import apparent_deg
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.simulator import Asked
from nightloom_drivers.virtual_loop import run_virtual

EVENING_S = datetime(2026, 11, 10, 20, tzinfo=UTC).timestamp()
"""Dark, with the demo's first target high in the east."""

PERFECT = {
    "pointing_error_arcsec": 0.0,
    "polar_error_arcmin": 0.0,
    "periodic_error_arcsec": 0.0,
    "dec_backlash_arcsec": 0.0,
}
"""A mount that needs no guiding."""

PARFOCAL = [one.model_dump() | {"focus_offset_steps": 0.0} for one in RigSettings().wheel.filters]

STEADY: dict[str, Any] = {
    "mount": PERFECT,
    "wheel": {"filters": PARFOCAL},
    "focus": {"base_steps": 10_000.0, "slope_steps_per_c": 0.0, "flexure_steps": 0.0},
    "atmosphere": {"seeing_fwhm_arcsec": 2.8, "seeing_log_scatter": 0.0},
}
"""With it the focuser starts in focus in every filter, and neither focus nor air changes."""

Changed = tuple[Settings, RigSettings]


@dataclass
class Stage:
    """The rig with its devices switched on, and what a scene does with it."""

    settings: Settings
    rig: SimulatedRig
    clock: LoopClock
    frames: list[bytes]

    async def ask(self, device: str, name: str, lasts_s: float = 1.0, **values: Value) -> None:
        """Ask a device for something, and let it take its time."""
        self.rig.link.set(f"Rig {device}", name, values)
        await asyncio.sleep(lasts_s)

    async def open_roof(self) -> None:
        await self.ask("Roof", "DOME_SHUTTER", 32.0, SHUTTER_OPEN=True)

    async def close_roof(self) -> None:
        await self.ask("Roof", "DOME_SHUTTER", 32.0, SHUTTER_CLOSE=True)

    async def unpark(self) -> None:
        await self.ask("Mount", "TELESCOPE_PARK", UNPARK=True)

    async def park(self) -> None:
        await self.ask("Mount", "TELESCOPE_PARK", 60.0, PARK=True)

    async def slew(self, ra_h: float, dec_deg: float) -> None:
        """Go to an apparent place and track."""
        await self.ask("Mount", "EQUATORIAL_EOD_COORD", 60.0, RA=ra_h % 24.0, DEC=dec_deg)

    async def slew_to_hour_angle(self, hour_angle_h: float, dec_deg: float = 30.0) -> None:
        sidereal_h = self.rig.world.site.sidereal_deg(self.clock.unix_s()) / 15.0
        await self.slew(sidereal_h - hour_angle_h, dec_deg)

    async def point(self) -> None:
        """Go to the first target."""
        target = self.settings.targets.targets[0]
        ra_deg, dec_deg = apparent_deg(self.clock.unix_s(), target.ra_deg, target.dec_deg)
        await self.slew(ra_deg / 15.0, dec_deg)

    async def expose(self, exposure_s: float, camera: str = "Camera") -> None:
        """Expose and wait for the frame."""
        await self.ask(camera, "CCD_EXPOSURE", exposure_s + 2.0, CCD_EXPOSURE_VALUE=exposure_s)

    async def look_for(self, lasts_s: float) -> None:
        """Watch the sky with the guide camera for a time."""
        for _ in range(int(lasts_s / 60.0)):
            await self.expose(2.0, "Guide Camera")
            await asyncio.sleep(56.0)

    async def choose(self, slot: int) -> None:
        await self.ask("Wheel", "FILTER_SLOT", 8.0, FILTER_SLOT_VALUE=float(slot))

    async def move_by(self, north_ms: float) -> None:
        """Guide the telescope a little to the north."""
        wanted = {"TIMED_GUIDE_N": north_ms, "TIMED_GUIDE_S": 0.0}
        await self.ask("Mount", "TELESCOPE_TIMED_GUIDE_NS", north_ms / 1000.0 + 1.0, **wanted)


Scene = Callable[[Stage], Awaitable[None]]


@dataclass(frozen=True)
class Seen:
    """What the observer saw of a scene, and the frames of the main camera."""

    findings: list[Finding]
    subs: list[TakenSub]
    frames: list[bytes]

    def of(self, rule: str) -> list[str]:
        """What was found against a rule."""
        return [finding.seen for finding in self.findings if finding.rule.name == rule]


def observed(
    scene: Scene,
    changed: Changed | None = None,
    start_s: float = EVENING_S,
    watched: bool = True,
) -> Seen:
    """Backlash a scene; with `watched` False nobody observes it."""
    settings, rig_settings = changed or demo(rig=STEADY)

    async def play() -> Seen:
        clock = LoopClock(start_s)
        rig = simulated_rig(rig_settings, clock, seed=7)
        frames: list[bytes] = []

        def keep(heard: Event | Asked) -> None:
            if isinstance(heard, Received):
                frames.append(bytes(heard.blob.data))

        rig.simulator("Rig Camera").watch(keep)
        observer = Observer(
            settings, rig.world, lambda: rig.simulators, clock, lambda: rig.link.connected
        )
        async with rig.link as link, observer.watching():
            for simulator in rig.simulators:
                link.set(simulator.device, "CONNECTION", {"CONNECT": True})
            await asyncio.sleep(1.0)
            await scene(Stage(settings, rig, clock, frames))
        return Seen(observer.findings, observer.subs, frames)

    return run_virtual(play())
