"""The observer: looks at the simulated rig from outside, at every change and between changes."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from datetime import datetime
from functools import partial

from nightloom.rehearsal.observer.exposures import Exposures, TakenSub
from nightloom.rehearsal.observer.library import Shot, look_at_calibrating
from nightloom.rehearsal.observer.mount import MountRules
from nightloom.rehearsal.observer.roof import RoofRules
from nightloom.rehearsal.observer.rules import ENDED, ENDS_SAFE, PANEL_DARK, Finding, Findings
from nightloom.rehearsal.observer.truth import Moment, moment
from nightloom.rehearsal.observer.weather import WeatherRules
from nightloom.settings import Settings
from nightloom_drivers.clock import Clock
from nightloom_drivers.link.vector import Event, Received, State, Updated
from nightloom_drivers.physics.world import World
from nightloom_drivers.simulators.camera import CameraSimulator
from nightloom_drivers.simulators.focuser import FocuserSimulator
from nightloom_drivers.simulators.mount import MountSimulator
from nightloom_drivers.simulators.roof import RoofSimulator
from nightloom_drivers.simulators.simulator import Asked, Simulator
from nightloom_drivers.simulators.weather import WeatherSimulator
from nightloom_drivers.simulators.wheel import WheelSimulator

LOOK_S, CALM_LOOK_S = 10.0, 30.0
"""Between two looks; the longer while the roof is closed over a mount that stands parked."""


class Observer:
    """Judges a simulated rig by its truth alone.

    `simulators` gives the devices of the moment, for one that died may have a successor, and
    `reachable` says whether anybody can speak to them.
    """

    def __init__(
        self,
        settings: Settings,
        world: World,
        simulators: Callable[[], Iterable[Simulator]],
        clock: Clock,
        reachable: Callable[[], bool] = lambda: True,
    ) -> None:
        self._settings, self._world, self._clock = settings, world, clock
        self._simulators, self._reachable = simulators, reachable
        self._watched: dict[str, Simulator] = {}
        self._findings = Findings()
        self._has_roof = settings.observatory.roof is not None
        self._weather = WeatherRules(settings, world, reachable)
        self._roof = RoofRules(settings, world)
        self._mount = MountRules(settings, world)
        self._exposures = Exposures(settings, world)
        self._asked: set[str] = set()

    @property
    def findings(self) -> list[Finding]:
        """What was found so far, in the order of time."""
        return list(self._findings.found)

    @property
    def subs(self) -> list[TakenSub]:
        """The subs that left the camera."""
        return list(self._exposures.subs)

    @property
    def shots(self) -> list[Shot]:
        """The calibration frames that left the camera."""
        return list(self._exposures.shots)

    def daemon_died(self) -> None:
        """The daemon was killed: what was on its way to the disk may be lost."""
        self._exposures.cut_off(self._clock.unix_s())

    def disk_refused(self, dates: Iterable[str]) -> None:
        """The disk did not take the frames of these DATE-OBS, which may be lost."""
        self._exposures.not_taken(datetime.fromisoformat(f"{one}+00:00") for one in dates)

    def never_ended(self) -> None:
        """The night went on when it should have been over, and was broken off."""
        seen = f"the night was not over {ENDED.tolerance / 60:.0f} min after its dark hours"
        self._findings.add(ENDED, self._clock.unix_s(), seen)

    @asynccontextmanager
    async def watching(self) -> AsyncIterator[None]:
        """Watch until the night is over, and look at how it was left when it came to its end."""
        self.look()
        looking = asyncio.create_task(self._look_again_and_again())
        try:
            yield
            self.look()
            self._look_at_end()
        finally:
            looking.cancel()
            await asyncio.wait([looking])
        if not looking.cancelled():
            looking.result()

    def look(self) -> Moment:
        """Look at everything now."""
        for simulator in self._simulators():
            if self._watched.get(simulator.device) is not simulator:
                if isinstance(simulator, WeatherSimulator):
                    self._weather.restarted()
                self._watched[simulator.device] = simulator
                simulator.watch(partial(self._hear, simulator))
        there = {simulator.device for simulator in self._simulators()}
        for section in (self._settings.observatory.wheel, self._settings.observatory.focuser):
            if section.device not in there:
                self._exposures.gone(section.device)
        now = moment(self._world, self._clock.unix_s())
        light_s = self._exposures.light_s(now.t_s)
        if self._has_roof:
            self._weather.look(now, self._findings)
            self._roof.look(now, light_s, self._weather.reasons, self._findings)
        self._mount.look(now, light_s, self._findings)
        return now

    async def _look_again_and_again(self) -> None:
        while True:
            now = self.look()
            calm = now.closed and now.stands_parked and not now.roof_moves
            await asyncio.sleep(CALM_LOOK_S if calm else LOOK_S)

    def _hear(self, simulator: Simulator, heard: Event | Asked) -> None:
        if self._watched.get(simulator.device) is not simulator:
            return
        match simulator:
            case CameraSimulator():
                if not isinstance(heard, Updated) or heard.vector.name == "CCD_EXPOSURE":
                    self._hear_camera(simulator, heard)
            case WeatherSimulator() if not isinstance(heard, Asked):
                self._weather.hear(heard, self._clock.unix_s())
            case MountSimulator() if isinstance(heard, Asked) and "GUIDE" not in heard.name:
                now = self.look()
                if heard.name == "EQUATORIAL_EOD_COORD":
                    self._mount.slew_asked(now)
            case RoofSimulator():
                self.look()
            case WheelSimulator() if isinstance(heard, Asked) and heard.name == "FILTER_SLOT":
                slot = int(float(heard.values["FILTER_SLOT_VALUE"]))
                self._exposures.wheel_asked(simulator.device, slot)
            case FocuserSimulator() if isinstance(heard, Asked) and "ABS_FOCUS" in heard.name:
                steps = round(float(heard.values["FOCUS_ABSOLUTE_POSITION"]))
                self._exposures.focuser_asked(simulator.device, steps)

    def _hear_camera(self, camera: CameraSimulator, heard: Event | Asked) -> None:
        main = camera.device == self._settings.observatory.camera.device
        match heard:
            case Asked(name="CCD_EXPOSURE"):
                self._asked.add(camera.device)
            case Received(blob=blob) if main and self._reachable():
                data, now_s = bytes(blob.data), self._clock.unix_s()
                self._exposures.delivered(camera.device, data, self._mount.slews, now_s)
            case Updated(vector=vector) if vector.name == "CCD_EXPOSURE":
                if vector.state is not State.BUSY:
                    self._exposures.given_up(camera.device, self._clock.unix_s())
                elif camera.device in self._asked:
                    self._asked.discard(camera.device)
                    self._begin(camera, float(vector.elements["CCD_EXPOSURE_VALUE"]), main)

    def _begin(self, camera: CameraSimulator, exposure_s: float, main: bool) -> None:
        now_s = self._clock.unix_s()
        self._exposures.given_up(camera.device, now_s)
        begun = self._exposures.begun(camera, exposure_s, now_s)
        now = moment(self._world, now_s)
        if main and begun.looks:
            self._mount.exposed(now, self._findings)
        if main and begun.light:
            lit = self._world.panel.output(now_s) > PANEL_DARK.tolerance
            self._findings.hold(PANEL_DARK, lit, now_s, "a light is exposed and the panel is on")
        elif main:
            dark_deg = self._settings.policies.dark.sun_altitude_deg
            look_at_calibrating(now, self._world, dark_deg, self._findings)

    def _look_at_end(self) -> None:
        now = moment(self._world, self._clock.unix_s())
        if not now.stands_parked:
            self._findings.add(ENDS_SAFE, now.t_s, "the night ended with the mount not parked")
        if self._has_roof and not now.closed:
            seen = f"the night ended with the roof {now.roof:.0%} open"
            self._findings.add(ENDS_SAFE, now.t_s, seen)
