"""Focus: where the focuser belongs for each filter, and the curves that tell.

Long on purpose: what moves the focuser and what decides where to is one state.
"""

import asyncio
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from nightloom.executor import Executor
from nightloom.faults import Act, row_of, wait_s
from nightloom.focusing import (
    Aim,
    Curve,
    Point,
    Refusal,
    Scan,
    Travel,
    blur_slope_px_per_um,
    critical_focus_zone_um,
    dimmed,
    fit_points,
    judge_scan,
    measure_tilt,
    measured_both_sides,
    next_scan,
    plan_scan,
    scan_step_steps,
)
from nightloom.focusing.backlash import WayBack
from nightloom.focusing.confirming import Confirming
from nightloom.focusing.kept_focus import kept_focus
from nightloom.focusing.learned import (
    adopted_offsets,
    adopted_slope,
    learned_offsets,
    zone_steps,
)
from nightloom.focusing.records import FocusRecords
from nightloom.focusing.scanning import FocusScan
from nightloom.focusing.watching import FocusWatch
from nightloom.frames.measuring import OF_PIXELS, Measuring
from nightloom.ledger import Ledger
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import BacklashRecalled, FocusRecalled, OffsetsAdopted
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Camera, Focuser
from nightloom_drivers.devices.focuser import POSITION

USUAL_SEEING_ARCSEC = 3.0
"""FWHM that the first scan of a night is planned for (common practice, no source)."""

GROWTH = 2.2
"""Of the stars from the middle of a scan to its ends; see `scan_step_steps`."""

BACKLASH_ROUNDS = 3
"""Times that backlash is measured for one curve: the first may be by a curve that it spoilt."""

FINE = 3.0
"""A scan whose step is within this factor of the wanted one is worth long exposures and waiting."""


@dataclass(frozen=True)
class _Base:
    """Where a filter of offset 0 is in focus, and the temperature at which it was found."""

    steps: float
    temperature_c: float | None


class Focusing:
    """Focus of one rig through one night.

    The base is the focuser's position for a filter of offset 0; every filter follows from it, and
    the temperature moves it.
    """

    def __init__(
        self,
        camera: Camera,
        focuser: Focuser,
        settings: Settings,
        night: str,
        ledger: Ledger,
        compute: Executor,
        clock: Clock,
        log: Log,
        measuring: Measuring = OF_PIXELS,
    ) -> None:
        self._camera, self._focuser = camera, focuser
        self._ledger, self._night = ledger, night
        self._clock, self._log = clock, log
        self._policy = settings.policies.focus
        self._observatory = settings.observatory
        self._compute = compute
        self._scanning = FocusScan(camera, focuser, settings, compute, measuring)
        self._offsets = adopted_offsets(None, settings.observatory)
        self._slope_steps_per_c = adopted_slope(None, settings.observatory)
        said = settings.observatory.focuser
        self._travel = Travel(
            said.minimum_steps, said.maximum_steps, said.backlash_steps, said.approach
        )
        start = said.start_steps
        self._base: _Base | None = None if start is None else _Base(start, None)
        self._focused_px: float | None = None
        self._recalled = False
        self.slope_px_per_step = math.nan
        """How fast stars grow far out of focus, by the last good curve."""
        self._arrived_steps: int | None = None
        self._refused = self._unconfirmed = 0
        self._held_until_s = -math.inf
        self._growth_most = settings.policies.frames.maximum_growth_percent / 100.0
        self._stuck_steps: int | None = None
        """Where the focuser was last seen to arrive, or to be stuck."""
        self._again: asyncio.TimerHandle | None = None
        self.watch = FocusWatch(focuser, settings, clock)
        self._confirming = Confirming(focuser, self._scanning, self._policy.minimum_stars)
        self.records = FocusRecords(focuser, night, ledger, clock, log)

    def begin(self) -> None:
        """Take over what the ledger's curves have taught since the configuration was written, and
        where this night's looks have left the focuser when it begins anew.
        """
        self._adopt()
        self._recall_backlash()
        kept = kept_focus(self._ledger, self._night)
        if kept is None or kept.filter not in self._offsets:
            return
        self._base = _Base(kept.left_steps - self._offsets[kept.filter], kept.temperature_c)
        self._focused_px, self.slope_px_per_step = kept.radius_px, kept.slope_px_per_step
        self._recalled = True
        self.watch.recall(kept.looked_utc, kept.curve_utc, kept.temperature_c)
        self._log.emit(
            FocusRecalled(
                filter=kept.filter,
                position_steps=self.position_steps(kept.filter),
                age_min=(self._clock.unix_s() - kept.looked_utc.timestamp()) / 60.0,
            )
        )

    def _recall_backlash(self) -> None:
        """Take up what was measured once, where the settings say less: too much does no harm."""
        found = self._ledger.backlash()
        if found is not None and found.found_steps > self._travel.backlash_steps:
            self._travel = replace(self._travel, backlash_steps=round(found.found_steps))
            self._log.emit(BacklashRecalled(steps=self._travel.backlash_steps, night=found.night))

    def _adopt(self) -> None:
        learned = learned_offsets(self._ledger, self._observatory)
        if learned is None:
            return
        self._offsets = adopted_offsets(learned, self._observatory)
        self._slope_steps_per_c = adopted_slope(learned, self._observatory)
        good = learned.good()
        if len(good) > 1 or learned.slope_known:  # the reference alone says nothing new
            self._log.emit(
                OffsetsAdopted(
                    reference=learned.reference,
                    offsets_steps={name: round(self._offsets[name], 2) for name in good},
                    kept=sorted(self._offsets.keys() - good.keys()),
                    slope_steps_per_c=round(self._slope_steps_per_c, 3),
                    slope_learned=learned.slope_known,
                )
            )

    # Where it belongs ------------------------------------------------------------------------

    @property
    def seen_steps(self) -> int | None:
        """Where the focuser is, as last heard; None when its driver is gone."""
        return self._focuser.position_steps if self._focuser.has(POSITION) else None

    def zone_steps(self, filter_name: str) -> float:
        """Full width of the critical focus zone with a filter."""
        return zone_steps(self._observatory, filter_name)

    def position_steps(self, filter_name: str) -> int:
        """Where the focuser belongs with a filter: base, offset, and what the temperature moved.

        Until it is known better, the focuser is taken to be right where it stands.
        """
        return self._travel.within(round(self._exact_steps(filter_name)))

    def within(self, steps: int) -> int:
        """The nearest position that the focuser may be moved to."""
        return self._travel.within(steps)

    def in_place(self, filter_name: str) -> bool:
        """Whether the focuser stands where it belongs, to a quarter of the critical focus zone."""
        if self._held:
            return True
        off_steps = abs(self._focuser.position_steps - self.position_steps(filter_name))
        return off_steps <= self.zone_steps(filter_name) / 4.0

    async def follow(self, filter_name: str) -> None:
        """Move the focuser to where it belongs with a filter, unless it holds its place.

        Raises DeviceError.
        """
        if not self._held:
            await self.move_to(self.position_steps(filter_name))

    async def move_to(self, steps: int) -> None:
        """Move to a position from the side that takes up the backlash. Raises DeviceError."""
        present = self._focuser.position_steps
        # Where it was not brought by a whole move from the right side, the gears may be loose.
        settled = present if present == self._arrived_steps else None
        self._arrived_steps = None
        for position in self._travel.path(settled, steps):
            await self._focuser.move_to(position)
        self._arrived_steps = self._stuck_steps = steps

    def hold_place(self, for_s: float) -> None:
        """Leave the focuser where it is for a while: it is stuck. No look at the focus is due.

        Star sizes go on being watched, and subs that are out of focus are rejected for theirs.
        """
        self._held_until_s = self._clock.unix_s() + for_s
        self._stuck_steps = self.seen_steps if self.seen_steps is not None else self._stuck_steps
        self._arrived_steps = None
        self.watch.rest_until(self._held_until_s)

    def bears(self, filter_name: str) -> bool:
        """Whether subs with a filter can be in focus, from where the focuser is held.

        By the last good curve a star's half-flux radius grows so fast far out of focus; its growth
        at best focus is none, and in between a hyperbola's.
        """
        if not self._held or self._focused_px is None or self._stuck_steps is None:
            return True
        off_steps = self._stuck_steps - self._exact_steps(filter_name)
        blur = self.slope_px_per_step * off_steps / self._focused_px
        return math.hypot(1.0, blur) - 1.0 <= self._growth_most

    @property
    def _held(self) -> bool:
        return self._clock.unix_s() < self._held_until_s

    def shift(self, steps: float) -> None:
        """Correct the base by a measured shift of focus; the next move follows."""
        assert self._base is not None, "nothing was focused yet"
        self._base = replace(self._base, steps=self._base.steps + steps)

    def doubt_recalled(self) -> None:
        """Nothing can be solved: what was recalled may be of before somebody moved the focuser."""
        if self._recalled:
            self._recalled, self._focused_px = False, None
            self.watch.forget("nothing could be solved after a restart")

    @property
    def proven(self) -> bool:
        """Whether a curve of this night was good."""
        return self._focused_px is not None

    # Looking ---------------------------------------------------------------------------------

    async def point(self, position_steps: int, filter_name: str) -> Point:
        """Measure stars at a position, come to from the right side. Raises DeviceError."""
        await self.move_to(position_steps)
        return await self._scanning.point(position_steps, filter_name)

    async def curve(self, filter_name: str, reason: str) -> Curve:
        """Take a focus curve, go to its vertex, and see that the focus is there; when the curve is
        refused, back to where it was good.

        Where a frame at the vertex contradicts the curve, backlash is measured and taken up, and
        the curve taken anew. Where nothing was good yet, the best guess of a refused one is gone
        to, if there is one. Raises DeviceError.
        """
        curve, scan = await self._one_curve(filter_name, reason)
        for _ in range(BACKLASH_ROUNDS):
            if curve.refusal is not None or await self._confirmed(filter_name, curve, scan):
                break
            again = f"{reason}; a frame at the last curve's best position was not sharp"
            curve, scan = await self._one_curve(filter_name, again)
        return curve

    async def _one_curve(self, filter_name: str, reason: str) -> tuple[Curve, Scan]:
        """The curve, its last scan, and the focuser where it says."""
        began_s = self._clock.unix_s()
        aim = self._aim(filter_name)
        curve, scan, points = await self._scanned(filter_name, reason, aim)
        found_steps = math.nan
        if curve.refusal is None:
            found_steps = curve.vertex_steps - self._exact_steps(filter_name)
            self._base = self._base_of(filter_name, curve.vertex_steps)
            self._focused_px, self._recalled = curve.radius_px, False
            self.slope_px_per_step = curve.slope_px_per_step
            scale_arcsec = self._observatory.optics.scale_arcsec_per_px(self._camera.pixel_um)
            self.watch.focused(filter_name, curve.radius_px, scale_arcsec, began_s)
        elif not self.proven:
            self._take_estimate(filter_name, curve, points, aim)
        self.watch.looked(
            moved=True,
            curve=curve.refusal is None,
            found_steps=found_steps,
            error_steps=curve.vertex_error_steps,
            left_steps=0.0,
        )
        self._ask_again(curve.refusal)
        await self.follow(filter_name)
        tilt = await self._compute(measure_tilt, points) if curve.refusal is None else None
        self.records.run(filter_name, reason, points, curve, tilt, began_s)
        return curve, scan

    async def _scanned(
        self, filter_name: str, reason: str, aim: Aim
    ) -> tuple[Curve, Scan, Sequence[Point]]:
        """Scan after scan until one is good or another would not help."""
        following: Scan | None = plan_scan(
            self.position_steps(filter_name), aim.step_steps, aim.points, aim.travel
        )
        while following is not None:
            scan = following
            self._arrived_steps = None
            fine = scan.step_steps <= FINE * aim.step_steps
            points = await self._scanning.take(scan, filter_name, fine=fine)
            curve = _judged(points, scan, aim, fine=fine)
            if self._starless_by_cloud(points, scan, aim):
                curve = replace(curve, refusal=Refusal.CLOUDED)
            self.records.scan(filter_name, reason, points, curve)
            following = next_scan(curve, scan, aim, points)
        return curve, scan, points

    async def _confirmed(self, filter_name: str, curve: Curve, scan: Scan) -> bool:
        """Whether a curve may stand; else backlash was taken up, or the focus has moved meanwhile.

        One that cannot be confirmed stands for a while: another look at the focus follows.
        """
        zone_steps, position = self.zone_steps(filter_name), self.position_steps(filter_name)
        missed = (
            None
            if self._held
            else await self._confirming.missed(curve, zone_steps, position, filter_name)
        )
        if missed is None:
            self._unconfirmed = 0
            return True
        if self._unconfirmed == 0 and await self._more_taken_up(filter_name, curve, scan):
            return False
        self._unconfirmed += 1
        self.records.unconfirmed(filter_name, missed.radius_px, curve.radius_px)
        if self._unconfirmed == 1:
            return False
        self._expect_later("a frame at the curve's best position was not sharp", self._unconfirmed)
        return True

    async def _more_taken_up(self, filter_name: str, curve: Curve, scan: Scan) -> bool:
        """Whether more backlash was measured than was taken up, and is from now on."""
        way = WayBack(curve, scan.positions_steps[-1], scan.step_steps, self._travel)
        self._arrived_steps = None
        found = await self._confirming.backlash(way, filter_name)
        if found is None or found.steps <= abs(self._travel.lead_steps):
            await self.follow(filter_name)
            return False
        configured_steps = self._observatory.focuser.backlash_steps
        self.records.backlash(configured_steps, self._travel.backlash_steps, found)
        self._travel = replace(self._travel, backlash_steps=round(found.steps))
        return True

    def _take_estimate(
        self, filter_name: str, curve: Curve, points: Sequence[Point], aim: Aim
    ) -> None:
        """No place was good yet: the best guess of a refused curve beats where it began, and the
        next one exposes longer.
        """
        if measured_both_sides(curve, points, aim.least_stars):
            self._base = self._base_of(filter_name, curve.vertex_steps)
            longest_s = max(point.exposure_s for point in points)
            exposure_s = self._scanning.expose_longer(filter_name, longest_s)
            self.records.estimate(filter_name, curve, exposure_s)

    def _starless_by_cloud(self, points: Sequence[Point], scan: Scan, aim: Aim) -> bool:
        """Whether clouds are likelier than a focus far away: it was good and no curve failed since.

        Otherwise the next scan would look for it over the whole travel, under a closed sky.
        """
        starless = not any(point.counts(aim.least_stars) for point in points)
        return starless and scan.number == 1 and self.proven and self._again is None

    def _ask_again(self, refusal: Refusal | None) -> None:
        """Have a refused curve repeated after a while, and the next one after a longer one: what
        asked for it is still open, and clouds pass. A focuser that does not move will not."""
        if self._again is not None:
            self._again.cancel()
            self._again = None
        if refusal is None or refusal is Refusal.UNMOVED:
            self._refused = 0
            return
        occasion = f"the last curve was refused ({refusal.value})"
        self._refused += 1
        self._expect_later(occasion, self._refused)

    def _expect_later(self, occasion: str, times: int) -> None:
        """Have a look at the focus taken after a while, the longer the more often it failed."""
        later = asyncio.get_running_loop().call_later
        self._again = later(wait_s(row_of(Act.CURVE), times), self.watch.expect, occasion)

    def _exact_steps(self, filter_name: str) -> float:
        if self._base is None:
            self._base = self._base_of(filter_name, self._focuser.position_steps)
        now_c, then_c = self._focuser.temperature_c, self._base.temperature_c
        warmed_c = 0.0 if now_c is None or then_c is None else now_c - then_c
        moved_steps = self._slope_steps_per_c * warmed_c + self.watch.drift_steps
        return self._base.steps + self._offsets[filter_name] + moved_steps

    def _base_of(self, filter_name: str, steps: float) -> _Base:
        """The base that puts a filter's focus at a position, here and now."""
        moved_steps = self._offsets[filter_name] + self.watch.drift_steps
        return _Base(steps - moved_steps, self._focuser.temperature_c)

    def _aim(self, filter_name: str) -> Aim:
        """What a curve with a filter is to reach, by the optics or the configured step."""
        optics, said = self._observatory.optics, self._observatory.focuser
        pixel_um = self._camera.pixel_um
        scale_arcsec_per_px = optics.scale_arcsec_per_px(pixel_um)
        focused_px = self._focused_px or USUAL_SEEING_ARCSEC / 2.0 / scale_arcsec_per_px
        slope = blur_slope_px_per_um(optics.focal_ratio, pixel_um, optics.central_obstruction)
        zone_um = critical_focus_zone_um(
            self._observatory.filters[filter_name].wavelength_nm, optics.focal_ratio
        )
        points, step = self._policy.points, self._policy.step_steps
        slope_px_per_step = slope * said.step_um
        if step is None:
            step = scan_step_steps(zone_um, slope, focused_px, points, said.step_um, GROWTH)
        else:  # the step that was asked for says how fast stars grow on this rig
            reach_steps = step * (points - 1) / 2.0
            slope_px_per_step = min(
                slope_px_per_step, focused_px * math.sqrt(GROWTH**2 - 1.0) / reach_steps
            )
        return Aim(
            step_steps=step,
            points=points,
            travel=self._travel,
            zone_steps=zone_um / said.step_um,
            slope_px_per_step=slope_px_per_step,
            least_stars=self._policy.minimum_stars,
        )


SPOILT = (Refusal.POOR_FIT, Refusal.TOO_FEW_STARS, Refusal.TOO_FEW_POINTS)
"""What clouds make of a scan; a vertex outside it is where to look next, whatever the light did."""


def _judged(points: Sequence[Point], scan: Scan, aim: Aim, *, fine: bool) -> Curve:
    """The fitted and judged curve; refused for clouds where it fails and some points are spoilt."""
    curve = judge_scan(fit_points(points, aim.least_stars), scan, aim, points)
    if curve.refusal in SPOILT and fine and dimmed(points, aim.least_stars):
        return replace(curve, refusal=Refusal.CLOUDED)
    return curve
