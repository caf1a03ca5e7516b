"""Holds the guide stars: exposes, measures, corrects, again and again, beside everything else."""

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nightloom.executor import Executor
from nightloom.guiding import (
    INSIDE,
    Calibration,
    CalibrationPolicy,
    CalibrationRun,
    Control,
    GuidePolicy,
    GuideStars,
    GuideStatistics,
    Measurement,
    PeriodicError,
    Refused,
    SettlePolicy,
    SettleState,
    StarsLost,
    axis_ahead_s,
    find_guide_stars,
    found_again,
    is_doubtful,
    locked,
    measure,
    nothing_held,
    settled,
    sharpened,
    too_few,
)
from nightloom.guiding.calibrate import calibrate, calibrated
from nightloom.guiding.calibration import PierSide as Side
from nightloom.guiding.devices import GuideDevices, GuideFrame
from nightloom.guiding.hot_map import HotMap
from nightloom.guiding.kept_calibrations import Calibrations
from nightloom.ledger import Ledger
from nightloom.safety import Guard
from nightloom.settings import Settings
from nightloom.sky import sidereal_deg
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    GuidingDoubted,
    RestNotReached,
    StarsHeld,
    StarsReleased,
    StarsSeenAgain,
    StarsUnseen,
)
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Camera, GuidePort, PierSide
from nightloom_drivers.errors import DeviceContradicts

STARS_MAX = 12
"""More stars average the air a little better, and cost time in every frame."""

WINDOW_PX = 14
"""Half width of a star's window: a large dither, or a gust, stays inside it."""

LONGER_AFTER, LONGEST = 3, 4.0
"""Frames without a star before each next one is exposed twice as long, up to so many times."""

LAST = 4
"""Guide frames whose error decides, when settling takes too long, whether a sub may begin."""

LITTLE = 1.0
"""A lead of less than this many scatters is left to the next correction: no frame is smeared."""

SIDES: dict[PierSide, Side] = {
    PierSide.EAST: "east",
    PierSide.WEST: "west",
    PierSide.UNKNOWN: "unknown",
}


class NotGuiding(Exception):
    """The stars are not held: no star, no calibration, or it ended. The text says which."""


@dataclass(frozen=True)
class Reading:
    """One guide frame's answer: its distance from the hold point, and the stars' light.

    `distance` counts in scatters of the guiding so far; both are NaN when no star is held.
    """

    at_s: float
    error_px: float
    distance: float
    held: int
    chosen: int
    flux_ratio: float
    width_px: float


class Guiding:
    """The guide loop of one rig. Its calibrations outlive stops, slews and nights."""

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
    ) -> None:
        self._hot_map = HotMap(ledger, compute)
        self._devices = GuideDevices(camera, port, self._hot_map, clock, log)
        self._port, self._mount, self._compute = port, mount, compute
        self._clock, self._log = clock, log
        self._chip = settings.observatory.guide_camera
        self._exposure_s = self._chip.exposure_s
        self._longitude_deg = settings.observatory.site.longitude_deg
        self._policy = settings.policies.guiding
        self.scale_arcsec_per_px = settings.observatory.guide_camera.scale_arcsec_per_px
        self._calibrations = Calibrations(ledger, self.scale_arcsec_per_px)
        self.statistics = GuideStatistics(self.scale_arcsec_per_px)
        self._control: Control | None = None
        self._stars: GuideStars | None = None
        self._near_px = (0.0, 0.0)
        """Where the stars were seen last, from the hold point."""
        self._hold_px = (0.0, 0.0)
        """Where the hold point is, from where the stars were after the slew."""
        self._unseen = 0
        self._longer = 1.0
        self._doubt = ""
        """Why the calibration is to be measured anew; empty without a reason."""
        self._in_gap = False
        """Whether it may be now: the stars leave their place for a minute."""
        self._measured_anew = False
        """Whether the calibration was measured anew since guiding began."""
        self._calibrated_s = float("-inf")
        self._hands = asyncio.Lock()
        """Held by who moves the mount, so that corrections and dithers do not mix."""
        self._group: asyncio.TaskGroup | None = None
        self._task: asyncio.Task[None] | None = None
        self._failure: Exception | None = None
        """What ended the loop by itself, until guiding is stopped or started."""
        self._failed = asyncio.Event()
        self._heard: asyncio.Future[Reading] | None = None
        self.listener: Callable[[Reading], None] = _nobody

    def begin(self, group: asyncio.TaskGroup) -> None:
        """Let the loop run in this group, which outlives every start and stop."""
        self._group = group

    @property
    def running(self) -> bool:
        """Whether the stars are being held."""
        return self._task is not None and not self._task.done()

    async def start(self, declination_deg: float, pier_side: PierSide) -> None:
        """Choose stars, calibrate if no calibration fits, and begin to hold.

        Raises NotGuiding without a star or a sound calibration, and DeviceError.
        """
        assert self._group is not None, "guiding has no group to run in"
        assert not self.running, "guiding is stopped before it starts again"
        self._stars = await self._choose()
        self._near_px = self._hold_px = (0.0, 0.0)
        self._unseen, self._longer, self._doubt = 0, 1.0, ""
        self._measured_anew = False
        side = SIDES[pier_side]
        calibration = self._calibrations.fitting(declination_deg, side)
        if calibration is None:
            calibration = await self._calibrate(declination_deg, side)
        self._control = self._control_of(calibration, pier_side)
        self.statistics = self.statistics.fresh()
        self._forget_failure()
        self._task = self._group.create_task(self._hold_until_ended())
        self._task.add_done_callback(self._ended)
        self._log.emit(StarsHeld(stars=len(self._stars), snr=float(self._stars.snr[0])))

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
        """Move the hold point, and the telescope after it by pulses on both axes at once.

        A frame that was being exposed meanwhile says nothing. A short way is left to the next
        correction, which is quicker then. Raises DeviceError, and as `reading` does.
        """
        async with self._hands:
            self._raise_if_ended()
            control = self._holding()
            assert self._stars is not None
            scale = self.scale_arcsec_per_px
            north = -north_arcsec if control.calibration.north_is_south else north_arcsec
            way_px = (west_arcsec / scale, north / scale)
            shift_px = control.calibration.from_axes(*way_px)
            self._stars = self._stars.shifted(*shift_px)
            self._hold_px = (self._hold_px[0] + shift_px[0], self._hold_px[1] + shift_px[1])
            pulses = control.lead(*way_px)
            if control.distance(*way_px) > LITTLE and await self._devices.pulse(pulses):
                control.given(pulses)
            else:
                self._near_px = (self._near_px[0] - shift_px[0], self._near_px[1] - shift_px[1])

    def restart_statistics(self) -> None:
        """Count the guide error afresh, for a new sub."""
        self.statistics = self.statistics.fresh()

    async def reading(self) -> Reading:
        """The next guide frame's answer.

        Raises what ended the loop, or NotGuiding, as soon as the loop has ended.
        """
        self._raise_if_ended()
        if self._heard is None or self._heard.done():
            self._heard = asyncio.get_running_loop().create_future()
        return await asyncio.shield(self._heard)

    async def settle(self, tolerance_arcsec: float = math.inf) -> None:
        """Wait until the stars rest at the hold point, or the deadline comes.

        Then a sub may begin that would bear the error of the last frames; one that would be
        refused is worth waiting once more. A large error may be the calibration's fault: unless
        that has been seen to fit, it is measured anew, once from one start to the next. Raises as
        `reading` does.
        """
        rms_px = await self._rest()
        if rms_px is None:
            return
        if self._far(rms_px) and not self._holding().proven and not self._measured_anew:
            self._measured_anew = True
            self._doubt_it("the stars did not come to rest")
            await self._recalibrated()
        elif not rms_px * self.scale_arcsec_per_px <= tolerance_arcsec:
            await self._rest()

    async def mend(self) -> None:
        """Measure the calibration anew if it stopped fitting. For a gap between subs.

        Raises as `reading` does, if there is a need.
        """
        if self._task is not None and self._doubt:
            await self._recalibrated()

    # Settling ---------------------------------------------------------------------------------

    async def _rest(self) -> float | None:
        """Wait for rest; the error of the last frames in px, and a line in the log, when the
        deadline came first.
        """
        policy = SettlePolicy(self._policy.settle_time_s, self._policy.settle_deadline_s)
        began_s = self._clock.unix_s()
        times_s: list[float] = []
        distances: list[float] = []
        errors_px: list[float] = []
        while True:
            reading = await self.reading()
            times_s.append(reading.at_s)
            distances.append(self._distance(reading))
            errors_px.append(reading.error_px)
            started_s = max(began_s, self._calibrated_s)
            state = settled(times_s, distances, policy, started_s=started_s)
            if state is SettleState.SETTLED:
                return None
            if state is SettleState.LATE:
                rms_px = float(np.sqrt(np.mean(np.square(errors_px[-LAST:]))))
                self._log.emit(
                    RestNotReached(
                        error_arcsec=rms_px * self.scale_arcsec_per_px,
                        waited_s=times_s[-1] - began_s,
                    )
                )
                return rms_px

    def _distance(self, reading: Reading) -> float:
        """Distance in scatters; infinite where it is far, whatever the scatter."""
        return math.inf if self._far(reading.error_px) else reading.distance

    def _far(self, error_px: float) -> bool:
        """Whether an error is more than is called settled, and more than the air makes."""
        seeing_px = INSIDE * self._holding().seeing_px / math.sqrt(2.0)  # of both axes together
        return error_px > max(self._policy.settle_arcsec / self.scale_arcsec_per_px, seeing_px)

    # Calibrating ------------------------------------------------------------------------------

    async def _recalibrated(self) -> None:
        """Have the loop measure the calibration anew, and wait for rest after it."""
        self._in_gap = True
        try:
            while self._doubt:
                await self.reading()
        finally:
            self._in_gap = False
        await self._rest()

    async def _calibrate(self, declination_deg: float, side: Side) -> Calibration:
        """Measure a calibration and keep it. Raises NotGuiding when it is refused."""
        outcome = await self._run_calibration(declination_deg, side)
        if isinstance(outcome, Refused):
            raise NotGuiding(f"calibration refused: {outcome}")
        return outcome

    async def _run_calibration(self, declination_deg: float, side: Side) -> Calibration | Refused:
        policy = CalibrationPolicy(
            self.scale_arcsec_per_px, pulse_ms=round(self._policy.calibration_pulse_ms)
        )
        run = CalibrationRun(policy, declination_deg=declination_deg, pier_side=side)

        async def look() -> Measurement:
            frame = await self._devices.frame(self._exposure_s)
            seen = self._measure(frame.image)
            await self._learn_hot_pixels(frame, seen)
            return seen

        outcome = await calibrate(run, look, self._devices, self._mount)
        if isinstance(outcome, Calibration):
            self._calibrated_s = self._clock.unix_s()
            self._calibrations.keep(outcome, self._clock.now())
            self._log.emit(calibrated(outcome, self.scale_arcsec_per_px))
        return outcome

    async def _calibrate_anew(self) -> None:
        """Replace a calibration that does not fit any more.

        Raises DeviceContradicts when the stars do not follow the pulses in any sensible way.
        """
        old = self._holding().calibration
        outcome = await self._run_calibration(old.declination_deg, old.pier_side)
        if isinstance(outcome, Refused):  # a gust may have had a hand in it
            outcome = await self._run_calibration(old.declination_deg, old.pier_side)
        if isinstance(outcome, Refused) and not isinstance(outcome, StarsLost):
            raise DeviceContradicts(
                self._port.device, "guide pulses", asked="a calibration", seen=str(outcome)
            )
        self._doubt = ""
        fresh = old if isinstance(outcome, StarsLost) else outcome
        self._control = self._holding().next_one(fresh, self._holding().ahead_s)

    # Holding ----------------------------------------------------------------------------------

    async def _hold_until_ended(self) -> None:
        """Keep the failure of the loop for who watches: the group has other tasks."""
        try:
            await self._hold()
        except Exception as error:  # noqa: BLE001  # raised by all who ask for the stars
            self._failure = error
            self._failed.set()

    async def _hold(self) -> None:
        while True:
            if self._doubt and self._in_gap:
                async with self._hands:
                    await self._calibrate_anew()
            frame = await self._devices.frame(self._longer * self._exposure_s)
            async with self._hands:
                if frame.asked_s < self._devices.moved_s:
                    continue  # the telescope was led elsewhere meanwhile
                seen = await self._look(frame)
                self._take(frame, seen)
                self._doubt_what_fails()
                await self._correct()
                await self._tend(frame, seen)

    def _doubt_what_fails(self) -> None:
        """Notice a calibration that stopped fitting, and make do until the next gap."""
        if not self._doubt and self._holds_badly() and not self._holding().fits:
            self._doubt_it("the stars do not follow the pulses")
            self._control = self._holding().makeshift()

    def _doubt_it(self, reason: str) -> None:
        self._doubt = reason
        control = self._holding()
        self._log.emit(
            GuidingDoubted(
                reason=reason,
                ra_share=_number(control.ra.response.share),
                dec_share=_number(control.dec.response.share),
            )
        )

    def _holds_badly(self) -> bool:
        """Whether the stars stay further off than settling asks for: only then is a calibration
        worth doubting. A mount of coarse steps answers small pulses oddly and holds well.
        """
        held = self.statistics
        return held.count > 0 and held.rms_arcsec > self._policy.settle_arcsec

    async def _look(self, frame: GuideFrame) -> Measurement:
        """Measure where the stars were last, and look everywhere when they are not there."""
        assert self._stars is not None
        seen = self._measure(frame.image)
        if not seen.held:
            moved_px = await self._compute(
                _search, frame.image, self._stars, self._chip.saturation_adu
            )
            if moved_px is not None:
                self._near_px = moved_px
                seen = self._measure(frame.image)
        self._count_unseen(seen)
        return seen

    def _measure(self, image: NDArray[np.uint16]) -> Measurement:
        """Measure near the last place, and believe no star that may be another."""
        assert self._stars is not None
        seen = measure(image, self._stars, radius_px=WINDOW_PX, near_px=self._near_px)
        if is_doubtful(seen, self._near_px):
            seen = nothing_held(len(self._stars))
        if seen.held:
            self._near_px = (seen.dx_px, seen.dy_px)
        return seen

    def _count_unseen(self, seen: Measurement) -> None:
        """Expose longer when nothing is seen for a while, and say when stars go and come."""
        if seen.held:
            if self._unseen >= self._policy.lost_frames:
                self._log.emit(StarsSeenAgain(frames=self._unseen))
            self._unseen, self._longer = 0, 1.0
            return
        self._unseen += 1
        if self._unseen == self._policy.lost_frames:
            self._log.emit(StarsUnseen(frames=self._unseen))
        if self._unseen >= LONGER_AFTER:
            self._longer = min(2 * self._longer, LONGEST)

    def _take(self, frame: GuideFrame, seen: Measurement) -> None:
        """Learn from one frame, and tell who waits for it."""
        control = self._holding()
        ra_px, dec_px = control.calibration.to_axes(seen.dx_px, seen.dy_px)
        distance = control.distance(ra_px, dec_px)
        control.observe(frame.middle_s, ra_px, dec_px)
        self.statistics = self.statistics.add(ra_px, dec_px, control.seeing_px)
        self._tell(
            Reading(
                self._clock.unix_s(),
                math.hypot(seen.dx_px, seen.dy_px),
                distance,
                seen.held,
                len(seen.is_held),
                seen.flux_ratio / self._longer,
                seen.width_px,
            )
        )

    async def _correct(self) -> None:
        """Give the pulses that the next frame needs; unseen stars are followed for a while."""
        if self._unseen >= self._policy.lost_frames:
            return
        control = self._holding()
        pulses = control.correct(self._clock.unix_s() + self._exposure_s / 2)
        if await self._devices.pulse(pulses):
            control.given(pulses)

    async def _tend(self, frame: GuideFrame, seen: Measurement) -> None:
        """Keep the set of stars good: sharpen references, replace what has wandered off."""
        assert self._stars is not None
        await self._learn_hot_pixels(frame, seen)
        self._stars = sharpened(self._stars, seen)
        if too_few(seen) and self._longer == 1.0:
            chosen = await self._choose_in(frame.image)
            if len(chosen) > seen.held:
                self._stars = locked(chosen, seen)

    async def _learn_hot_pixels(self, frame: GuideFrame, seen: Measurement) -> None:
        """What still shines where stars have moved on is none."""
        if seen.held:
            place_px = (self._hold_px[0] + seen.dx_px, self._hold_px[1] + seen.dy_px)
            await self._hot_map.learn(frame.raw, place_px)

    async def _choose(self) -> GuideStars:
        frame = await self._devices.frame(self._exposure_s)
        self._hot_map.slewed()
        await self._hot_map.learn(frame.raw, (0.0, 0.0))
        stars = await self._choose_in(self._hot_map.mended(frame.raw))
        if not len(stars):
            raise NotGuiding("no star on the guide camera is fit to guide on")
        return stars

    async def _choose_in(self, image: NDArray[np.uint16]) -> GuideStars:
        chip = self._chip
        return await self._compute(_choose_stars, image, chip.saturation_adu, chip.gain_e_per_adu)

    def _holding(self) -> Control:
        assert self._control is not None, "the stars are not held"
        return self._control

    def _control_of(self, calibration: Calibration, pier_side: PierSide) -> Control:
        """A control that knows the gears' wave and play from before the slew, if seen then."""
        now_s = self._clock.unix_s()
        hour_angle_deg = float(sidereal_deg(now_s, self._longitude_deg))
        hour_angle_deg -= 15.0 * self._mount.position.ra_hours
        ahead_s = axis_ahead_s(hour_angle_deg, now_s, beyond_pole=pier_side is PierSide.WEST)
        known = self._control
        if known is None:
            return Control(calibration, self._pulse_policy(), PeriodicError(ahead_s))
        if known.proven:
            calibration = replace(calibration, backlash_s=known.backlash_s)
        return known.next_one(calibration, ahead_s)

    def _pulse_policy(self) -> GuidePolicy:
        return GuidePolicy(
            least_move_px=self._policy.least_move_arcsec / self.scale_arcsec_per_px,
            pulse_max_ms=round(self._policy.longest_pulse_ms),
        )

    def _ended(self, _: asyncio.Task[None]) -> None:
        """Tell who waits for the next answer that none comes."""
        if self._heard is not None and not self._heard.done():
            self._heard.set_exception(self._end())
            self._heard.exception()  # who waited may have left

    def _raise_if_ended(self) -> None:
        if not self.running:
            raise self._end()

    def _end(self) -> Exception:
        return self._failure or NotGuiding("the stars are not held")

    def _forget_failure(self) -> None:
        self._failure = None
        self._failed.clear()

    def _tell(self, reading: Reading) -> None:
        self.listener(reading)
        if self._heard is not None and not self._heard.done():
            self._heard.set_result(reading)


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _nobody(_: Reading) -> None:
    """Nobody listens yet."""


def _choose_stars(
    image: NDArray[np.uint16], saturation_adu: float, gain_e_per_adu: float
) -> GuideStars:
    return find_guide_stars(
        image,
        saturation_adu=saturation_adu,
        count_max=STARS_MAX,
        margin_px=2 * WINDOW_PX,
        gain_e_per_adu=gain_e_per_adu,
    )


def _search(
    image: NDArray[np.uint16], stars: GuideStars, saturation_adu: float
) -> tuple[float, float] | None:
    return found_again(image, stars, saturation_adu=saturation_adu)
