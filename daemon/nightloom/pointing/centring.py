"""Pointing: slew, solve, correct, until the target stands where it was asked to.

Long on purpose: the three are one loop over one state, where the camera looks.
"""

import asyncio
import math
from dataclasses import dataclass

from astropy.wcs import WCS

from nightloom.clouds import Unsolved
from nightloom.clouds.monitor import CloudMonitor
from nightloom.executor import Executor
from nightloom.faults import Act, row_of, tried
from nightloom.frames import StarField
from nightloom.frames.image import Frame
from nightloom.frames.measuring import OF_PIXELS, Measuring
from nightloom.pointing.kept_offsets import KeptPointingOffsets
from nightloom.pointing.offsets import Known, SkyPlace, beside, miss_deg
from nightloom.safety import Guard
from nightloom.settings import Settings, Target
from nightloom.sky import separation_deg
from nightloom.solving import Hint, NotSolved, Solution, Solver
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    Centred,
    DeviceTrouble,
    PointingFailed,
    Slewed,
    Solved,
    SolveFailed,
)
from nightloom_drivers.clock import Clock, steady_s
from nightloom_drivers.devices import Camera
from nightloom_drivers.errors import DeviceError


@dataclass(frozen=True)
class Try:
    """How a frame is solved: its exposure and search radius against the usual, and a step aside."""

    longer: float = 1.0
    wider: float = 1.0
    aside_deg: float = 0.0


TRIES = (Try(), Try(wider=6.0), Try(longer=3.0, wider=6.0), Try(3.0, 6.0, aside_deg=0.3))
"""One after another: the mount may be far off, thin cloud and twilight cost stars, and a bright
star or an empty spot may lie just here."""


class NotCentred(Exception):
    """The target could not be centred; the text says how far it came."""

    cause = "distance"


class Clouded(NotCentred):
    """No frame could be solved, and cloud is the likely reason."""

    cause = "cloud"


class Astray(NotCentred):
    """No frame could be solved though there are stars enough: the mount looks elsewhere."""

    cause = "mount"


class Dark(NotCentred):
    """No frame could be solved, and no light of a sky arrives."""

    cause = "dark"


class Blurred(NotCentred):
    """No frame could be solved, and their stars are far out of focus."""

    cause = "focus"


class Unseen(NotCentred):
    """No frame could be solved, and too few stars are seen to say why."""

    cause = "unknown"


UNSOLVED: dict[Unsolved, type[NotCentred]] = {
    Unsolved.CLOUD: Clouded,
    Unsolved.MOUNT: Astray,
    Unsolved.DARK: Dark,
    Unsolved.FOCUS: Blurred,
    Unsolved.UNKNOWN: Unseen,
}


class Pointing:
    """Knows where the camera looks, from the last solved frame and the dithers since."""

    def __init__(
        self,
        guard: Guard,
        camera: Camera,
        solver: Solver,
        cloud_monitor: CloudMonitor,
        settings: Settings,
        kept_offsets: KeptPointingOffsets,
        compute: Executor,
        clock: Clock,
        log: Log,
        measuring: Measuring = OF_PIXELS,
    ) -> None:
        self._measuring = measuring
        self._guard, self._camera = guard, camera
        self._solver, self._cloud_monitor, self._compute = solver, cloud_monitor, compute
        self._clock, self._log = clock, log
        self._policy = settings.policies.acquire
        self._observatory = settings.observatory
        self._kept_offsets, self._misses = kept_offsets, kept_offsets.recalled()
        self.solution: Solution | None = None
        self._aim: SkyPlace = (math.nan, math.nan)
        """Where the mount was told to go, for the target to stand where it does."""
        self.dither_px = (0.0, 0.0)

    async def centre(self, target: Target) -> None:
        """Bring a target into the middle of the frame.

        Raises NotCentred after the allowed attempts (one of UNSOLVED when no frame could be
        solved), GuardRefusal, and DeviceError.
        """
        try:
            await self._centre(target)
        except NotCentred as failure:
            self._log.emit(
                PointingFailed(target=target.name, cause=failure.cause, reason=str(failure))
            )
            raise

    async def _centre(self, target: Target) -> None:
        self.solution, self.dither_px = None, (0.0, 0.0)
        place = target.ra_deg, target.dec_deg
        aim = self._misses.aim(self._guard.side_for(*place), place)
        distance_arcsec = 0.0
        for attempt in range(1, self._policy.attempts + 1):
            await self._slew(aim)
            solution, aim = await self._find(target, aim)
            miss = await self._learn(aim, solution)
            distance_arcsec = _distance_arcsec(solution, target)
            if distance_arcsec <= self._policy.tolerance_arcsec:
                self.solution, self._aim = solution, aim
                self._log.emit(
                    Centred(target=target.name, distance_arcsec=distance_arcsec, attempts=attempt)
                )
                return
            aim = await self._corrected(miss, solution, place)
        raise NotCentred(
            f"{target.name} not centred in {self._policy.attempts} slews:"
            f" it stands {distance_arcsec:.0f}″ off"
        )

    def telescope_move_arcsec(self, dx_px: float, dy_px: float) -> tuple[float, float]:
        """How far the telescope moves (west, north) for the stars to move so on the main camera."""
        assert self.solution is not None
        matrix = self.solution.wcs.pixel_scale_matrix * 3600.0
        east, north = -(matrix @ (dx_px, dy_px))
        return -float(east), float(north)

    def moved(self, step_px: tuple[float, float]) -> None:
        """The stars were moved by so much on the main camera since the last solution."""
        self.dither_px = self.dither_px[0] + step_px[0], self.dither_px[1] + step_px[1]

    def wcs(self) -> WCS | None:
        """World coordinates of a frame taken now: the last solution, moved by the dither since."""
        if self.solution is None:
            return None
        moved = self.solution.wcs.deepcopy()
        moved.wcs.crpix = moved.wcs.crpix + self.dither_px
        return moved

    def middle(self) -> tuple[float, float] | None:
        """Right ascension and declination of the middle of a frame taken now, in degrees; None
        until one was solved.
        """
        if self.solution is None:
            return None
        solved = self.solution
        middle = solved.wcs.wcs_world2pix([[solved.ra_deg, solved.dec_deg]], 0) - self.dither_px
        ra_deg, dec_deg = solved.wcs.wcs_pix2world(middle, 0)[0]
        return float(ra_deg), float(dec_deg)

    def place_px(self, target: Target) -> tuple[float, float]:
        """Where a target stands on the sensor now, from where it stands when centred exactly."""
        assert self.solution is not None
        solution = self.solution
        (seen, middle) = solution.wcs.wcs_world2pix(
            [[target.ra_deg, target.dec_deg], [solution.ra_deg, solution.dec_deg]], 0
        )
        x_px, y_px = seen - middle + self.dither_px
        return float(x_px), float(y_px)

    async def slew_aside(self, step_px: tuple[float, float]) -> None:
        """Move the stars by so much on the main camera, by a slew: nothing holds them.

        Raises GuardRefusal and DeviceError.
        """
        west_arcsec, north_arcsec = self.telescope_move_arcsec(*step_px)
        ra_deg, dec_deg = self._aim
        ra_deg -= west_arcsec / 3600.0 / math.cos(math.radians(dec_deg))
        self._aim = ra_deg % 360.0, dec_deg + north_arcsec / 3600.0
        await self._slew(self._aim)
        self.moved(step_px)

    # Slewing ----------------------------------------------------------------------------------

    async def _slew(self, aim: SkyPlace) -> None:
        began_s = steady_s()
        await self._guard.slew(*aim)
        await asyncio.sleep(self._observatory.mount.slew_settle_s)
        self._log.emit(
            Slewed(
                ra_deg=aim[0],
                dec_deg=aim[1],
                pier_side=str(self._guard.pier.side),
                took_s=steady_s() - began_s,
            )
        )

    async def _learn(self, aim: SkyPlace, solution: Solution) -> tuple[float, float]:
        """Take note of the side and the miss that a solved frame shows; return the miss.

        Raises WrongSide.
        """
        self._guard.pier.solved(solution.rotation_deg)
        await self._guard.check_side()
        miss = miss_deg(aim, (solution.ra_deg, solution.dec_deg))
        self._keep(self._misses.learn(self._guard.pier.side, miss))
        return miss

    async def _corrected(
        self, miss: tuple[float, float], solution: Solution, place: SkyPlace
    ) -> SkyPlace:
        """Tell the mount where it looks, or aim beside the target by as much as it was off."""
        if not self._observatory.mount.sync:
            return beside(place, miss)
        await self._guard.sync(solution.ra_deg, solution.dec_deg)
        self._keep(self._misses.tell(self._guard.pier.side, miss))
        return place

    def _keep(self, known: Known) -> None:
        side, told, now = self._guard.pier.side, self._misses.told, self._clock.now()
        self._kept_offsets.keep(side, known, told, now)

    # Solving ----------------------------------------------------------------------------------

    async def _find(self, target: Target, aim: SkyPlace) -> tuple[Solution, SkyPlace]:
        """Solve a frame, by one try after another; the place, and the aim that led there.

        Raises one of UNSOLVED when none can be solved.
        """
        exposure_s = self._policy.exposure_s
        data, stars = await self._look(exposure_s)
        at_first, before = stars, TRIES[0]
        for attempt in TRIES:
            if attempt.aside_deg:
                aim = aim[0], aim[1] - math.copysign(attempt.aside_deg, aim[1])
                await self._slew(aim)
            if attempt.longer != before.longer or attempt.aside_deg:
                data, stars = await self._look(exposure_s * attempt.longer)
            solution = await self._solve(target, data, stars, attempt.wider)
            if solution is not None:
                self._cloud_monitor.solved(target.name, at_first.count, stars.half_flux_radius_px)
                return solution, aim
            before = attempt
        rise_adu = stars.background_adu - at_first.background_adu
        cause, why = self._cloud_monitor.why_unsolved(
            target.name, at_first.count, stars.half_flux_radius_px, rise_adu
        )
        raise UNSOLVED[cause](f"{target.name}: no frame was solved, {why}")

    async def _look(self, exposure_s: float) -> tuple[Frame, StarField]:
        """A frame and its stars."""

        def note(error: Exception) -> None:
            if isinstance(error, DeviceError):
                self._log.emit(DeviceTrouble.of(error, "another frame to solve"))

        row = row_of(Act.SOLVE)
        frame = await tried(row, lambda: self._camera.expose(exposure_s), note)
        saturation_adu = self._observatory.camera.saturation_adu
        return frame.data, await self._compute(self._measuring.whole, frame.data, saturation_adu)

    async def _solve(
        self, target: Target, data: Frame, stars: StarField, wider: float
    ) -> Solution | None:
        """Solve a frame; None, with a line in the log, when that fails."""
        began_s = steady_s()
        try:
            solution = await self._solver.solve(data, stars, self._hint(target, wider))
        except NotSolved as error:
            self._log.emit(SolveFailed(reason=str(error), stars=stars.count))
            return None
        self._log.emit(
            Solved(
                ra_deg=solution.ra_deg,
                dec_deg=solution.dec_deg,
                scale_arcsec_per_px=solution.scale_arcsec_per_px,
                rotation_deg=solution.rotation_deg,
                distance_arcsec=_distance_arcsec(solution, target),
                took_s=steady_s() - began_s,
            )
        )
        return solution

    def _hint(self, target: Target, wider: float) -> Hint:
        scale = self._observatory.optics.scale_arcsec_per_px(self._camera.pixel_um)
        radius_deg = min(180.0, wider * self._observatory.solver.search_radius_deg)
        return Hint(target.ra_deg, target.dec_deg, radius_deg, scale)


def _distance_arcsec(solution: Solution, target: Target) -> float:
    degrees = separation_deg(solution.ra_deg, solution.dec_deg, target.ra_deg, target.dec_deg)
    return 3600.0 * float(degrees)
