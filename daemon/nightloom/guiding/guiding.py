"""Guiding as the night asks for it: begin to hold, lead, settle, mend, let go."""

import asyncio
import math
from dataclasses import replace

from nightloom.executor import Executor
from nightloom.guiding import (
    Calibration,
    Control,
    GuidePolicy,
    GuideStatistics,
    Measurement,
    PeriodicError,
    axis_ahead_s,
)
from nightloom.guiding.calibration import CalibrationSide as Side
from nightloom.guiding.derived import rest_policy
from nightloom.guiding.devices import GuideDevices
from nightloom.guiding.held_stars import HeldStars
from nightloom.guiding.hot_map import HotMap
from nightloom.guiding.kept_calibrations import CalibrationKeeper, Calibrations
from nightloom.guiding.loop import GuideLoop
from nightloom.guiding.measuring import OF_GUIDE_PIXELS, GuideMeasuring
from nightloom.guiding.readings import NotGuiding, Readings
from nightloom.guiding.settling import Settling
from nightloom.ledger import Ledger
from nightloom.safety import Guard
from nightloom.settings import Settings
from nightloom.sky import sidereal_deg
from nightloom.telemetry import Log
from nightloom.telemetry.events import StarsHeld, StarsReleased
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Camera, GuidePort, PierSide

SIDES: dict[PierSide, Side] = {
    PierSide.EAST: "east",
    PierSide.WEST: "west",
    PierSide.UNKNOWN: "unknown",
}


class Guiding:
    """The guiding of one rig. Calibrations, hot pixels, the gear's wave and who listens to the
    readings outlive stops and slews; the loop and its stars do not.
    """

    def __init__(
        self,
        camera: Camera,
        port: GuidePort,
        mount: Guard,
        settings: Settings,
        ledger: Ledger,
        compute: Executor,
        clock: Clock,
        log: Log,
        measuring: GuideMeasuring = OF_GUIDE_PIXELS,
    ) -> None:
        self._measuring = measuring
        self._settings, self._mount, self._compute = settings, mount, compute
        self._clock, self._log = clock, log
        self._chip = settings.observatory.guide_camera
        self._scale = self._chip.scale_arcsec_per_px
        self._hot_map = HotMap(ledger, compute, measuring)
        self._devices = GuideDevices(camera, port, self._hot_map, clock, log)
        kept = Calibrations(ledger, self._scale)
        self._keeper = CalibrationKeeper(kept, self._devices, mount, settings, clock, log)
        self.readings = Readings()
        rest = rest_policy(settings.policies.guiding, settings.observatory)
        self._settling = Settling(self.readings, rest, self._scale, clock, log)
        self._loop: GuideLoop | None = None
        """The present loop, or the last one, whose gear's wave the next one takes over."""
        self._group: asyncio.TaskGroup | None = None
        self._task: asyncio.Task[None] | None = None
        self._failure: Exception | None = None
        """What ended the loop by itself, until guiding is stopped or started."""
        self._failed = asyncio.Event()

    def begin(self, group: asyncio.TaskGroup) -> None:
        """Let the loop run in this group, which outlives every start and stop."""
        self._group = group

    @property
    def running(self) -> bool:
        """Whether the stars are being held."""
        return self._task is not None and not self._task.done()

    @property
    def statistics(self) -> GuideStatistics:
        """The guide error since guiding began, or since the statistics were restarted."""
        return GuideStatistics(self._scale) if self._loop is None else self._loop.statistics

    def restart_statistics(self) -> None:
        """Count the guide error afresh, for a new sub."""
        if self._loop is not None:
            self._loop.statistics = self._loop.statistics.fresh()

    async def start(self, declination_deg: float, pier_side: PierSide) -> None:
        """Choose stars, calibrate if no calibration fits, and begin to hold.

        Raises NotGuiding without a star or a sound calibration, and DeviceError.
        """
        assert self._group is not None, "guiding has no group to run in"
        assert not self.running, "guiding is stopped before it starts again"
        stars = await self._choose()

        async def look() -> Measurement:
            return await stars.look_near(await self._devices.frame(self._chip.exposure_s))

        calibration = await self._keeper.begin(declination_deg, SIDES[pier_side], look)
        loop = self._loop = self._loop_of(stars, self._control_of(calibration, pier_side))
        self._forget_failure()
        self.readings.begin()
        self._task = self._group.create_task(self._run(loop))
        self._task.add_done_callback(lambda _: loop.end(self._end()))
        self._log.emit(StarsHeld(stars=len(stars), snr=stars.brightest_snr))

    async def stop(self, reason: str) -> None:
        """Let go of the stars. Does nothing when they are not held.

        A cancellation in the middle goes through; the loop ends all the same.
        """
        if self._task is None:
            return
        task = self._task
        task.cancel()
        await asyncio.wait({task})
        if self._task is not task:
            return  # somebody else stopped it as well
        self._task = None
        self._forget_failure()
        self._hot_map.keep(self._clock.now())
        rms = self.statistics.rms_arcsec if self.statistics.count else None
        self._log.emit(StarsReleased(reason=reason, rms_arcsec=rms))

    async def watch(self) -> None:
        """Wait until the loop fails, now or when it is started later, and raise what ended it.

        Raises at once when it has failed already and was not stopped since.
        """
        while self._failure is None:
            await self._failed.wait()
        raise self._failure

    async def lead(self, west_arcsec: float, north_arcsec: float) -> None:
        """Move the hold point, and the telescope after it.

        Raises DeviceError, what ended the loop, and NotGuiding.
        """
        await self._holding().lead(west_arcsec, north_arcsec)

    async def settle(self, tolerance_arcsec: float = math.inf) -> None:
        """Wait until the stars rest at the hold point, or the deadline comes.

        Then a sub may begin that would bear the error of the last frames; one that would be
        refused is worth waiting once more. A large error may be the calibration's fault: unless
        that has been seen to fit, it is measured anew, once from one start to the next. Raises as
        `Readings.next` does.
        """
        unrest = await self._settling.rest()
        if unrest is None:
            return
        if unrest.is_far and self._keeper.doubts_unrest(self._holding().control):
            await self._recalibrated()
        elif not unrest.rms_arcsec <= tolerance_arcsec:
            await self._settling.rest()

    async def mend(self) -> None:
        """Measure the calibration anew if it stopped fitting. For a gap between subs.

        Raises as `Readings.next` does, if there is a need.
        """
        if self._task is not None and self._keeper.is_doubted:
            await self._recalibrated()

    async def _recalibrated(self) -> None:
        """Have the loop measure the calibration anew, and wait for rest after it."""
        await self._holding().calibrate_anew()
        await self._settling.rest()

    async def _run(self, loop: GuideLoop) -> None:
        """Keep the failure of the loop for who watches: the group has other tasks."""
        try:
            await loop.run()
        except Exception as error:  # noqa: BLE001  # raised by all who ask for the stars
            self._failure = error
            self._failed.set()

    async def _choose(self) -> HeldStars:
        stars = HeldStars(
            self._chip,
            self._settings.policies.guiding.lost_frames,
            self._hot_map,
            self._compute,
            self._log,
            self._measuring,
        )
        await stars.choose(await self._devices.frame(self._chip.exposure_s))
        return stars

    def _loop_of(self, stars: HeldStars, control: Control) -> GuideLoop:
        return GuideLoop(
            self._devices,
            stars,
            self._keeper,
            control,
            self.readings,
            self._chip.exposure_s,
            self._scale,
            self._clock,
        )

    def _control_of(self, calibration: Calibration, pier_side: PierSide) -> Control:
        """A control that knows the gear's wave and backlash from before the slew, if seen then."""
        now_s = self._clock.unix_s()
        longitude_deg = self._settings.observatory.site.longitude_deg
        hour_angle_deg = float(sidereal_deg(now_s, longitude_deg))
        hour_angle_deg -= 15.0 * self._mount.position.ra_hours
        ahead_s = axis_ahead_s(hour_angle_deg, now_s, beyond_pole=pier_side is PierSide.WEST)
        if self._loop is None:
            return Control(calibration, self._pulse_policy(), PeriodicError(ahead_s))
        known = self._loop.control
        if known.proven:
            calibration = replace(calibration, backlash_s=known.backlash_s)
        return known.next_one(calibration, ahead_s)

    def _pulse_policy(self) -> GuidePolicy:
        policy = self._settings.policies.guiding
        return GuidePolicy(
            least_move_px=policy.ignored_error_arcsec / self._scale,
            pulse_max_ms=round(policy.maximum_pulse_ms),
        )

    def _holding(self) -> GuideLoop:
        """The loop while it runs. Raises what ended it, or NotGuiding."""
        if self._loop is None or not self.running:
            raise self._end()
        return self._loop

    def _end(self) -> Exception:
        return self._failure or NotGuiding("the stars are not held")

    def _forget_failure(self) -> None:
        self._failure = None
        self._failed.clear()
