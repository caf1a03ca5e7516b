"""Focus: where the focuser belongs for each filter, when to look again, and the looking itself."""

import math
from collections import defaultdict
from dataclasses import dataclass

from nightloom.arithmetic import Arithmetic
from nightloom.focus import (
    Curve,
    Scan,
    Travel,
    at_zenith_px,
    fit_curve,
    next_scan,
    plan_scan,
    watch_filters,
)
from nightloom.frames import StarField
from nightloom.ledger import Curve as Entry
from nightloom.ledger import Ledger
from nightloom.night.measuring import measure_frame
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import FocusCurve
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Camera, Focuser


@dataclass(frozen=True)
class _Point:
    """One measured position of a curve."""

    position_steps: int
    radius_px: float
    stars: int


class Focusing:
    """Focus of one rig through one night.

    The base is the focuser's position for a filter of offset 0; every filter follows from it.
    """

    def __init__(
        self,
        camera: Camera,
        focuser: Focuser,
        settings: Settings,
        night: str,
        ledger: Ledger,
        compute: Arithmetic,
        clock: Clock,
        log: Log,
    ) -> None:
        self._camera, self._focuser, self._compute = camera, focuser, compute
        self._night, self._ledger, self._clock, self._log = night, ledger, clock, log
        self._policy = settings.policies.focus
        self._saturation_adu = settings.observatory.camera.saturation_adu
        self._offsets = {n: f.offset_steps for n, f in settings.observatory.filters.items()}
        said = settings.observatory.focuser
        self._travel = Travel(
            said.minimum_steps, said.maximum_steps, said.backlash_steps, said.approach
        )
        self._base_steps: float | None = said.start_steps
        self._curve_at_s = -math.inf
        self._curve_c: float | None = None
        self._radii_px: dict[str, list[float]] = defaultdict(list)

    def position_steps(self, filter_name: str) -> int:
        """Where the focuser belongs with a filter: the base and the filter's offset.

        Until it is known better, the focuser is taken to be right where it stands.
        """
        if self._base_steps is None:
            self._base_steps = self._focuser.position_steps - self._offsets[filter_name]
        return round(self._base_steps + self._offsets[filter_name])

    def in_place(self, filter_name: str) -> bool:
        """Whether the focuser stands where it belongs with a filter."""
        return self._focuser.position_steps == self.position_steps(filter_name)

    async def follow(self, filter_name: str) -> None:
        """Move the focuser to where it belongs with a filter. Raises DeviceError."""
        await self._move(self.position_steps(filter_name))

    def learn(self, filter_name: str, stars: StarField, airmass: float) -> None:
        """Take note of the star size in an accepted sub."""
        if math.isfinite(stars.half_flux_radius_px):
            radius_px = at_zenith_px(stars.half_flux_radius_px, airmass)
            self._radii_px[filter_name].append(radius_px)

    def due(self, occasion: str = "") -> str:
        """Why a curve is due now; empty when none is.

        An `occasion` asks for one by itself, unless the last curve is fresh.
        """
        age_s = self._clock.unix_s() - self._curve_at_s
        if occasion and age_s >= self._policy.least_interval_s:
            return occasion
        now_c = self._focuser.temperature_c
        if now_c is not None and self._curve_c is not None:
            change_c = now_c - self._curve_c
            if abs(change_c) >= self._policy.temperature_change_c:
                return f"the temperature changed by {change_c:+.1f} °C"
        drift = watch_filters(self._radii_px, self._policy.growth_percent / 100.0)
        return drift.reason if drift.check and age_s >= self._policy.least_interval_s else ""

    async def curve(self, filter_name: str, reason: str) -> None:
        """Take a focus curve and go to its vertex; when it is refused, back to where it was good.

        Raises DeviceError.
        """
        began_s = self._clock.unix_s()
        scan: Scan | None = plan_scan(
            self.position_steps(filter_name),
            self._policy.step_steps,
            self._policy.points,
            self._travel,
        )
        curve, points = None, []
        while scan is not None:
            points = [await self._point(position) for position in await self._in_order(scan)]
            curve = _fit(points, self._policy.least_stars)
            scan = next_scan(curve, scan) if curve.refusal else None
        assert curve is not None  # the first scan is always there
        if curve.refusal is None:
            self._base_steps = curve.vertex_steps - self._offsets[filter_name]
        self._curve_at_s, self._curve_c = self._clock.unix_s(), self._focuser.temperature_c
        self._radii_px.clear()
        await self.follow(filter_name)
        self._record(filter_name, reason, points, curve, self._clock.unix_s() - began_s)

    async def _in_order(self, scan: Scan) -> tuple[int, ...]:
        """Take up the backlash before the first position, and give all of them."""
        await self._focuser.move_to(scan.overshoot_steps)
        return scan.positions_steps

    async def _point(self, position_steps: int) -> _Point:
        await self._focuser.move_to(position_steps)
        frame = await self._camera.expose(self._policy.exposure_s)
        stars = await self._compute(measure_frame, frame.data, self._saturation_adu)
        return _Point(position_steps, stars.half_flux_radius_px, stars.count)

    async def _move(self, steps: int) -> None:
        for position in self._travel.path(self._focuser.position_steps, steps):
            await self._focuser.move_to(position)

    def _record(
        self, filter_name: str, reason: str, points: list[_Point], curve: Curve, took_s: float
    ) -> None:
        accepted = curve.refusal is None
        refusal = "" if curve.refusal is None else curve.refusal.value
        positions = [point.position_steps for point in points]
        radii = [point.radius_px for point in points]
        self._ledger.add_curve(
            Entry(
                night=self._night,
                taken_utc=self._clock.now(),
                filter=filter_name,
                positions_steps=tuple(positions),
                radii_px=tuple(radii),
                accepted=accepted,
                refusal=refusal,
                vertex_steps=curve.vertex_steps,
                error_steps=curve.vertex_error_steps,
                temperature_c=self._curve_c,
            )
        )
        self._log.emit(
            FocusCurve(
                filter=filter_name,
                reason=reason,
                positions_steps=positions,
                radii_px=radii,
                accepted=accepted,
                refusal=refusal,
                vertex_steps=curve.vertex_steps,
                error_steps=curve.vertex_error_steps,
                temperature_c=self._curve_c,
                took_s=took_s,
            )
        )


def _fit(points: list[_Point], least_stars: int) -> Curve:
    return fit_curve(
        [point.position_steps for point in points],
        [point.radius_px for point in points],
        [point.stars for point in points],
        least_stars=least_stars,
    )
