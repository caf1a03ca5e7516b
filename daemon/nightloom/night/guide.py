"""Holds the guide stars: exposes, measures, corrects, again and again, beside everything else."""

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace

from nightloom.arithmetic import Arithmetic
from nightloom.guiding import (
    AxisPolicy,
    Calibration,
    CalibrationPolicy,
    CalibrationRun,
    Direction,
    Done,
    GuidePolicy,
    GuideStars,
    GuideState,
    GuideStatistics,
    Measurement,
    Pulses,
    Refused,
    SettlePolicy,
    SettleState,
    correct,
    find_guide_stars,
    measure,
    settled,
)
from nightloom.guiding.calibration import PierSide as Side
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    GuideStarLost,
    GuidingCalibrated,
    GuidingStarted,
    GuidingStopped,
    SettleFailed,
)
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Camera, GuidePort, Mount, PierSide

STARS_MAX = 12
"""More stars average the air a little better, and cost time in every frame."""

WINDOW_PX = 14
"""Half width of a star's window: a large dither, or a gust, stays inside it."""

FULL_SCALE_ADU = 65535.0
"""Where a 16-bit guide frame saturates."""


SIDES: dict[PierSide, Side] = {
    PierSide.EAST: "east",
    PierSide.WEST: "west",
    PierSide.UNKNOWN: "unknown",
}


class NotGuiding(Exception):
    """Guiding could not begin: no star, or no calibration. The text says which."""


@dataclass(frozen=True)
class Reading:
    """One guide frame's answer: its distance from the lock position, and the stars' light."""

    at_s: float
    error_px: float
    held: int
    chosen: int
    flux_ratio: float


class Guiding:
    """The guide loop of one rig. Its calibration outlives stops and slews."""

    def __init__(
        self,
        camera: Camera,
        port: GuidePort,
        mount: Mount,
        settings: Settings,
        compute: Arithmetic,
        clock: Clock,
        log: Log,
    ) -> None:
        self._camera, self._port, self._mount, self._compute = camera, port, mount, compute
        self._clock, self._log = clock, log
        self._exposure_s = settings.observatory.guide_camera.exposure_s
        self._policy = settings.policies.guiding
        self.scale_arcsec_per_px = settings.observatory.guide_camera.scale_arcsec_per_px
        self.calibration: Calibration | None = None
        self.statistics = GuideStatistics(self.scale_arcsec_per_px)
        self._stars: GuideStars | None = None
        self._eager = False
        self._north_is_south = False
        """Many German mounts turn the same way for a pulse north on both sides of the pier."""
        self._task: asyncio.Task[None] | None = None
        self._heard: asyncio.Future[Reading] | None = None
        self.listener: Callable[[Reading], None] = _nobody

    @property
    def running(self) -> bool:
        """Whether the stars are being held."""
        return self._task is not None

    async def start(self, declination_deg: float, pier_side: PierSide) -> None:
        """Choose stars, calibrate if there is no calibration yet, and begin to hold.

        Raises NotGuiding without a star or a sound calibration, and DeviceError.
        """
        self._stars = await self._choose()
        side = SIDES[pier_side]
        self.calibration = self._fitted(declination_deg, side) or await self._calibrate(
            declination_deg, side
        )
        self._eager = False
        self.statistics = self.statistics.fresh()
        self._task = asyncio.create_task(self._hold())
        self._task.add_done_callback(self._ended)
        self._log.emit(GuidingStarted(stars=len(self._stars), snr=float(self._stars.snr[0])))

    async def stop(self, reason: str) -> None:
        """Let go of the stars. Does nothing when they are not held."""
        if self._task is None:
            return
        task, self._task = self._task, None
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await task  # its error, if it had one, went to who watched it
        rms = self.statistics.rms_arcsec if self.statistics.count else None
        self._log.emit(GuidingStopped(reason=reason, rms_arcsec=rms))

    async def watch(self) -> None:
        """Wait with the loop for its end, and raise what ended it."""
        if self._task is not None:
            await asyncio.shield(self._task)

    def lead(self, west_arcsec: float, north_arcsec: float) -> None:
        """Move the telescope by moving the lock position; it follows within a few guide frames."""
        assert self.calibration is not None
        assert self._stars is not None
        scale = self.scale_arcsec_per_px
        north = -north_arcsec if self._north_is_south else north_arcsec
        shift_px = self.calibration.from_axes(west_arcsec / scale, north / scale)
        self._stars = self._stars.shifted(*shift_px)
        self._eager = True

    def restart_statistics(self) -> None:
        """Count the guide error afresh, for a new sub."""
        self.statistics = self.statistics.fresh()

    async def reading(self) -> Reading:
        """The next guide frame's answer."""
        if self._heard is None or self._heard.done():
            self._heard = asyncio.get_running_loop().create_future()
        return await asyncio.shield(self._heard)

    async def settle(self) -> bool:
        """Wait until the stars rest at the lock position; False when the deadline came first."""
        policy = SettlePolicy(
            self._policy.settle_arcsec / self.scale_arcsec_per_px,
            self._policy.settle_time_s,
            self._policy.settle_deadline_s,
        )
        began_s = self._clock.unix_s()
        times_s: list[float] = []
        errors_px: list[float] = []
        while True:
            reading = await self.reading()
            times_s.append(reading.at_s)
            errors_px.append(reading.error_px)
            verdict = settled(times_s, errors_px, policy, started_s=began_s)
            if verdict.state is SettleState.SETTLED:
                return True
            if verdict.state is SettleState.LATE:
                error_arcsec = errors_px[-1] * self.scale_arcsec_per_px
                self._log.emit(SettleFailed(error_arcsec=error_arcsec, waited_s=verdict.waited_s))
                return False

    async def _choose(self) -> GuideStars:
        frame = await self._camera.expose(self._exposure_s)
        stars = await self._compute(_choose_stars, frame.data)
        if not len(stars):
            raise NotGuiding("no star on the guide camera is fit to guide on")
        return stars

    def _fitted(self, declination_deg: float, side: Side) -> Calibration | None:
        """The calibration at hand, made to fit this declination and side of the pier."""
        known = self.calibration
        if known is None:
            return None
        if {known.pier_side, side} == {"east", "west"}:
            known = known.mirrored()
        return known.at_declination(declination_deg)

    async def _calibrate(self, declination_deg: float, side: Side) -> Calibration:
        policy = CalibrationPolicy(
            self.scale_arcsec_per_px, pulse_ms=round(self._policy.calibration_pulse_ms)
        )
        run = CalibrationRun(policy, declination_deg=declination_deg, pier_side=side)
        near = (0.0, 0.0)
        ends_deg: dict[Direction, float] = {}  # the mount's declination at the end of each leg
        while True:
            seen = await self._measure(near)
            ends_deg[run.legs[-1].direction] = self._mount.position.dec_deg
            near = (seen.dx_px, seen.dy_px) if seen.held else near
            match run.next(seen):
                case Pulses() as pulses:
                    await self._pulse(pulses)
                case Done(calibration):
                    self._north_is_south = self._went_south(run, ends_deg)
                    self._log.emit(_calibrated(calibration, self.scale_arcsec_per_px))
                    return calibration
                case Refused() as refusal:
                    raise NotGuiding(f"calibration refused: {refusal}")

    def _went_south(self, run: CalibrationRun, ends_deg: dict[Direction, float]) -> bool:
        """Whether the mount reads that pulses north took it south.

        One that does not count its pulses is taken at its word.
        """
        moved_deg = ends_deg[Direction.NORTH] - ends_deg[Direction.EAST]
        north = next(leg for leg in run.legs if leg.direction is Direction.NORTH)
        seen_arcsec = north.moved_px() * self.scale_arcsec_per_px
        return 3600.0 * moved_deg < -0.5 * seen_arcsec

    async def _hold(self) -> None:
        state = GuideState()
        unseen = 0
        while True:
            seen = await self._measure((0.0, 0.0))
            unseen = 0 if seen.held else unseen + 1
            if unseen == self._policy.lost_frames:
                self._log.emit(GuideStarLost(frames=unseen))
            state = await self._correct(seen, state)

    async def _correct(self, seen: Measurement, state: GuideState) -> GuideState:
        """Answer one measurement with pulses, and tell who waits for it."""
        assert self.calibration is not None
        ra_px, dec_px = self.calibration.to_axes(seen.dx_px, seen.dy_px)
        self.statistics = self.statistics.add(ra_px, dec_px)
        error_px = (seen.dx_px**2 + seen.dy_px**2) ** 0.5
        self._tell(
            Reading(self._clock.unix_s(), error_px, seen.held, len(seen.is_held), seen.flux_ratio)
        )
        state, pulses = correct((ra_px, dec_px), self.calibration, self._axes(), state)
        self._eager = self._eager and not pulses.duration_ms
        await self._pulse(pulses)
        return state

    def _axes(self) -> GuidePolicy:
        """How both axes are corrected; the first time after a shift, at once and in full."""
        axis = AxisPolicy(
            aggressiveness=self._policy.aggressiveness,
            least_move_px=self._policy.least_move_arcsec / self.scale_arcsec_per_px,
            pulse_max_ms=round(self._policy.longest_pulse_ms),
        )
        if self._eager:
            eager = replace(axis, aggressiveness=1.0)
            return GuidePolicy(eager, eager)
        return GuidePolicy(axis, replace(axis, reversal_frames=3, reversal_px=1.0))

    async def _measure(self, near: tuple[float, float]) -> Measurement:
        frame = await self._camera.expose(self._exposure_s)
        assert self._stars is not None
        return measure(frame.data, self._stars, radius_px=WINDOW_PX, near_px=near)

    async def _pulse(self, pulses: Pulses) -> None:
        if pulses.duration_ms:
            await self._port.pulse(
                west_ms=pulses.west_ms - pulses.east_ms, north_ms=pulses.north_ms - pulses.south_ms
            )

    def _ended(self, task: asyncio.Task[None]) -> None:
        """Hand what ended the loop to who waits for its next answer."""
        waiting = self._heard is not None and not self._heard.done()
        if waiting and not task.cancelled() and (error := task.exception()) is not None:
            self._heard.set_exception(error)  # type: ignore[union-attr]

    def _tell(self, reading: Reading) -> None:
        self.listener(reading)
        if self._heard is not None and not self._heard.done():
            self._heard.set_result(reading)


def _calibrated(calibration: Calibration, scale_arcsec_per_px: float) -> GuidingCalibrated:
    return GuidingCalibrated(
        angle_deg=calibration.ra_angle_deg,
        ra_rate_arcsec_per_s=calibration.ra_rate_px_per_s * scale_arcsec_per_px,
        dec_rate_arcsec_per_s=calibration.dec_rate_px_per_s * scale_arcsec_per_px,
        orthogonality_deg=calibration.skew_deg,
    )


def _nobody(_: Reading) -> None:
    """Nobody listens yet."""


def _choose_stars(image: object) -> GuideStars:
    return find_guide_stars(
        image,  # type: ignore[arg-type]
        saturation_adu=FULL_SCALE_ADU,
        count_max=STARS_MAX,
        margin_px=2 * WINDOW_PX,
    )
