"""Pointing: slew, solve, correct, until the target stands where it was asked to."""

import asyncio

from astropy.wcs import WCS

from nightloom.arithmetic import Arithmetic
from nightloom.night.guard import Guard
from nightloom.night.measuring import measure_whole
from nightloom.settings import Settings, Target
from nightloom.sky import separation_deg, to_date
from nightloom.solving import Hint, NotSolved, Solution, Solver
from nightloom.telemetry import Log
from nightloom.telemetry.events import Centred, Slewed, Solved, SolveFailed
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Camera, Mount

LONGER = 2.0
"""Each failed solve doubles the exposure: thin cloud and bright twilight cost stars."""


class NotCentred(Exception):
    """The target could not be centred; the text says how far it came."""


class Pointing:
    """Knows where the camera looks, from the last solved frame and the dithers since."""

    def __init__(
        self,
        guard: Guard,
        mount: Mount,
        camera: Camera,
        solver: Solver,
        settings: Settings,
        compute: Arithmetic,
        clock: Clock,
        log: Log,
    ) -> None:
        self._guard, self._mount, self._camera = guard, mount, camera
        self._solver, self._compute = solver, compute
        self._clock, self._log = clock, log
        self._policy = settings.policies.acquire
        self._observatory = settings.observatory
        self.solution: Solution | None = None
        self.dither_px = (0.0, 0.0)

    async def centre(self, target: Target) -> None:
        """Bring a target into the middle of the frame.

        Raises NotCentred after the allowed attempts, GuardRefusal, and DeviceError.
        """
        self.solution, self.dither_px = None, (0.0, 0.0)
        aim = (target.ra_deg, target.dec_deg)
        exposure_s = self._policy.exposure_s
        seen = "no frame was solved"
        for attempt in range(1, self._policy.attempts + 1):
            await self._slew(*aim)
            solution = await self._solve(target, exposure_s)
            if solution is None:
                exposure_s *= LONGER
                continue
            self.solution = solution
            distance_arcsec = _distance_arcsec(solution, target)
            if distance_arcsec <= self._policy.tolerance_arcsec:
                self._log.emit(
                    Centred(target=target.name, distance_arcsec=distance_arcsec, attempts=attempt)
                )
                return
            seen = f"it stands {distance_arcsec:.0f}″ off"
            aim = await self._corrected(aim, solution, target)
        raise NotCentred(f"{target.name} not centred in {self._policy.attempts} slews: {seen}")

    def telescope_move_arcsec(self, dx_px: float, dy_px: float) -> tuple[float, float]:
        """How far the telescope moves (west, north) for the stars to move so on the main camera."""
        assert self.solution is not None
        matrix = self.solution.wcs.pixel_scale_matrix * 3600.0
        east, north = -(matrix @ (dx_px, dy_px))
        return -float(east), float(north)

    def wcs(self) -> WCS | None:
        """World coordinates of a frame taken now: the last solution, moved by the dither since."""
        if self.solution is None:
            return None
        moved = self.solution.wcs.deepcopy()
        moved.wcs.crpix = moved.wcs.crpix + self.dither_px
        return moved

    async def _slew(self, ra_deg: float, dec_deg: float) -> None:
        began_s = self._clock.unix_s()
        await self._guard.slew(ra_deg, dec_deg)
        await asyncio.sleep(self._observatory.mount.slew_settle_s)
        self._log.emit(
            Slewed(
                ra_deg=ra_deg,
                dec_deg=dec_deg,
                pier_side=str(self._mount.pier_side),
                took_s=self._clock.unix_s() - began_s,
            )
        )

    async def _solve(self, target: Target, exposure_s: float) -> Solution | None:
        """Take a frame and solve it; None, with a line in the log, when that fails."""
        frame = await self._camera.expose(exposure_s)
        saturation_adu = self._observatory.camera.saturation_adu
        stars = await self._compute(measure_whole, frame.data, saturation_adu)
        began_s = self._clock.unix_s()
        try:
            solution = await self._solver.solve(frame.data, stars, self._hint(target))
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
                took_s=self._clock.unix_s() - began_s,
            )
        )
        return solution

    def _hint(self, target: Target) -> Hint:
        binned_um = self._camera.info.pixel_um * self._observatory.camera.binning
        scale = 206.264806 * binned_um / self._observatory.optics.focal_length_mm
        radius_deg = self._observatory.solver.search_radius_deg
        return Hint(target.ra_deg, target.dec_deg, radius_deg, scale)

    async def _corrected(
        self, aim: tuple[float, float], solution: Solution, target: Target
    ) -> tuple[float, float]:
        """Tell the mount where it looks, or aim beside the target by as much as it was off."""
        if self._observatory.mount.sync:
            now_s = self._clock.unix_s()
            await self._mount.sync(*to_date(solution.ra_deg, solution.dec_deg, now_s))
            return target.ra_deg, target.dec_deg
        ra_off = (solution.ra_deg - target.ra_deg + 180.0) % 360.0 - 180.0
        dec_off = solution.dec_deg - target.dec_deg
        return (aim[0] - ra_off) % 360.0, max(-90.0, min(90.0, aim[1] - dec_off))


def _distance_arcsec(solution: Solution, target: Target) -> float:
    degrees = separation_deg(solution.ra_deg, solution.dec_deg, target.ra_deg, target.dec_deg)
    return 3600.0 * float(degrees)
