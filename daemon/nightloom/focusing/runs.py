"""Focus: where the focuser belongs for each filter, and the curves that tell.

Long on purpose: what moves the focuser and what decides where to is one state.
"""

import asyncio
import math
from collections.abc import Sequence
from dataclasses import replace

from nightloom.executor import Executor
from nightloom.faults import Act, row_of, wait_s
from nightloom.focusing import (
    Aim,
    Check,
    CheckOutcome,
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
from nightloom.focusing.backlash import FARTHEST, WayBack
from nightloom.focusing.confirming import Confirming
from nightloom.focusing.kept_focus import kept_focus
from nightloom.focusing.learned import (
    adopted_offsets,
    adopted_slope,
    learned_offsets,
    taken_up,
    zone_steps,
)
from nightloom.focusing.odd_filter import OddFilters
from nightloom.focusing.records import FocusRecords
from nightloom.focusing.scanning import FocusScan
from nightloom.focusing.watching import FocusWatch
from nightloom.frames.measuring import OF_PIXELS, Measuring
from nightloom.ledger import Ledger, Sub
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import BacklashRecalled, FocusRecalled, OffsetsAdopted
from nightloom_drivers.clock import Clock, steady_s
from nightloom_drivers.devices import Camera, Focuser
from nightloom_drivers.devices.focuser import POSITION

USUAL_SEEING_ARCSEC = 3.0
"""FWHM that the first scan of a night is planned for (common practice, no source)."""

GROWTH = 2.2
"""Of the stars from the middle of a scan to its ends; see `scan_step_steps`."""

BACKLASH_ROUNDS = 3
"""Times that backlash is measured for one curve: the first may be by a curve that it spoilt."""

OFFSET_RIGHT_ZONES = 0.25
"""An offset that a look finds less wrong is right: stars hardly grow so near to focus."""

TOLD_ZONES = 0.125
"""A motion of best focus that the subs show is told of from here on, in critical focus zones."""

FINE = 3.0
"""A scan whose step is within this factor of the wanted one is worth long exposures and waiting."""


class Focusing:
    """Focus of one rig through one night.

    A filter's position is the place of best focus, as the watch knows it, and the adopted shifts:
    the filter's offset, and what the temperature has moved since the night began.
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
        self._first_c = self._last_c = focuser.temperature_c
        self._placed = False
        self._focused_px: float | None = None
        self._recalled = self._known_rig = False
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
        self._odd, self._moved_steps = OddFilters(), 0.0
        self._confirming = Confirming(focuser, self._scanning, self._policy.minimum_stars)
        self.records = FocusRecords(focuser, night, ledger, clock, log)

    def begin(self) -> None:
        """Take over what the ledger's curves have taught since the configuration was written, and
        where this night's looks have left the focuser when it begins anew.
        """
        self._adopt()
        self._recall_backlash()
        self._known_rig = any(curve.accepted for curve in self._ledger.curves())
        kept = kept_focus(self._ledger, self._night)
        if kept is None or kept.filter not in self._offsets:
            return
        self._focused_px, self.slope_px_per_step = kept.radius_px, kept.slope_px_per_step
        self._recalled = self._placed = True
        self._first_c = kept.temperature_c
        self.watch.recall(
            kept.filter,
            kept.left_steps - self._offsets[kept.filter],
            kept.looked_utc,
            kept.curve_utc,
            kept.slope_px_per_step / kept.radius_px,
        )
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
        good = taken_up(learned, self._observatory)
        if len(good) > 1 or learned.slope_known:  # the reference alone says nothing new
            self._log.emit(
                OffsetsAdopted(
                    reference=learned.reference,
                    offsets_steps={name: round(self._offsets[name], 2) for name in good},
                    kept=sorted(self._offsets.keys() - set(good)),
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
        """Where best focus is with a filter.

        Until it is known better, the focuser is taken to be right where it stands.
        """
        return self._travel.within(round(self._exact_steps(filter_name)))

    def _sub_steps(self, filter_name: str) -> int:
        """Where the focuser belongs for a sub: a little beside best focus, by turns."""
        sway_steps = self.watch.sway_steps(filter_name)
        return self._travel.within(round(self._exact_steps(filter_name)) + sway_steps)

    def within(self, steps: int) -> int:
        """The nearest position that the focuser may be moved to."""
        return self._travel.within(steps)

    def in_place(self, filter_name: str) -> bool:
        """Whether the focuser stands where it belongs for a sub: to a quarter of the critical focus
        zone, or to half of its sway.
        """
        if self._held:
            return True
        sway_steps = abs(self.watch.sway_steps(filter_name))
        near_steps = sway_steps / 2.0 if sway_steps else self.zone_steps(filter_name) / 4.0
        return abs(self._focuser.position_steps - self._sub_steps(filter_name)) <= near_steps

    async def follow(self, filter_name: str) -> None:
        """Move the focuser to where it belongs for a sub with a filter, unless it holds its place.

        Raises DeviceError.
        """
        if not self._held:
            await self.move_to(self._sub_steps(filter_name))

    def sub_begins(self, uid: str, filter_name: str, exposure_s: float) -> None:
        """The shutter opens for a sub: its stars will tell of where the focuser stands now."""
        if self.seen_steps is not None:
            place_steps = self.seen_steps - self._shift_steps(filter_name)
            self.watch.sub_begins(uid, filter_name, exposure_s, place_steps)

    def sub_measured(self, sub: Sub, radius_px: float) -> None:
        """Take in the star size of a good sub, and tell when best focus is seen to have moved."""
        began_s = (sub.start_utc or sub.begun_utc).timestamp()
        growth = radius_px / self.watch.expected_px(sub.filter, began_s, sub.exposure_s) - 1.0
        self._odd = self._odd.saw(sub.filter, growth, began_s)
        self._expect_odd()
        if self.watch.sub(sub.uid, radius_px, sub.airmass or 1.0, began_s, sub.exposure_s):
            self.records.subs_tell(
                sub.filter,
                self.watch.common_steps,
                self.watch.off_steps,
                self.position_steps(sub.filter),
                TOLD_ZONES * self.watch.zone_steps,
            )

    async def _settle(self, filter_name: str) -> None:
        """Move the focuser to best focus with a filter, unless it holds its place."""
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

    def checked(self, filter_name: str, middle_steps: int, check: Check) -> float:
        """Take in a check around a position; what the focuser moves by from here on, in steps."""
        before_steps = self._exact_steps(filter_name)
        if check.verdict is not CheckOutcome.UNCLEAR:
            place_steps = middle_steps + check.estimate_steps - self._shift_steps(filter_name)
            self.watch.looked(filter_name, place_steps, check.error_steps)
            right = abs(check.estimate_steps) <= OFFSET_RIGHT_ZONES * self.zone_steps(filter_name)
            self._odd = self._odd.focused(filter_name, self._clock.unix_s(), moved=not right)
        return self._exact_steps(filter_name) - before_steps

    # Offsets ---------------------------------------------------------------------------------

    @property
    def odd_filters(self) -> tuple[str, ...]:
        """Filters that alone are out of focus: what a look through one finds is its offset's."""
        return self._odd.odd

    def offset_checked(self, filter_name: str, middle_steps: int, check: Check) -> float:
        """Take in a check through an odd filter; what the focuser moves by from here on, in steps.

        Where it is not sure, another look follows.
        """
        if not math.isfinite(check.error_steps):
            return 0.0
        found_steps = middle_steps + check.estimate_steps - self._exact_steps(filter_name)
        sure = check.verdict is not CheckOutcome.UNCLEAR
        self._correct_offset(filter_name, found_steps, check.error_steps, sure=sure)
        return found_steps

    def _correct_offset(
        self, filter_name: str, steps: float, error_steps: float, *, sure: bool = True
    ) -> None:
        """A look found an odd filter's focus so far from where it belonged."""
        after_steps = self._offsets[filter_name] = self._offsets[filter_name] + steps
        self._moved_steps += steps
        self.watch.offset_corrected(filter_name, error_steps)
        if not sure:
            return
        moved_steps, self._moved_steps = self._moved_steps, 0.0
        found = abs(moved_steps) > OFFSET_RIGHT_ZONES * self.zone_steps(filter_name)
        self._odd = self._odd.corrected(filter_name, self._clock.unix_s(), found=found)
        if found:
            self.records.offset(filter_name, after_steps - moved_steps, after_steps, error_steps)
        self._expect_odd()

    def _expect_odd(self) -> None:
        if self.odd_filters:
            names = " and ".join(self.odd_filters)
            self.watch.expect(f"stars through {names} alone are out of focus")

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
        began_s, from_s = self._clock.unix_s(), steady_s()
        aim = self._aim(filter_name)
        curve, scan, points = await self._scanned(filter_name, reason, aim)
        odd = filter_name in self.odd_filters
        if curve.refusal is None:
            self._take_curve(filter_name, curve, began_s, odd=odd)
        else:
            if not self.proven:
                self._take_estimate(filter_name, curve, points, aim)
            self.watch.looked_in_vain()
            if odd:
                self._correct_offset(filter_name, 0.0, math.inf)
        self._ask_again(curve.refusal)
        await self._settle(filter_name)
        tilt = await self._compute(measure_tilt, points) if curve.refusal is None else None
        self.records.run(filter_name, reason, points, curve, tilt, from_s)
        return curve, scan

    def _take_curve(self, filter_name: str, curve: Curve, began_s: float, *, odd: bool) -> None:
        """Best focus is where a good curve says; through an odd filter, its own is."""
        self._focused_px, self._recalled, self._placed = curve.radius_px, False, True
        self._known_rig = True
        self.slope_px_per_step = curve.slope_px_per_step
        scale_arcsec = self._observatory.optics.scale_arcsec_per_px(self._camera.pixel_um)
        self.watch.focused(filter_name, curve.radius_px, scale_arcsec, began_s)
        if odd:
            found_steps = curve.vertex_steps - self._exact_steps(filter_name)
            self._correct_offset(filter_name, found_steps, curve.vertex_error_steps)
            return
        self._odd = self._odd.focused(filter_name, self._clock.unix_s(), moved=True)
        self.watch.curved(
            filter_name,
            curve.vertex_steps - self._shift_steps(filter_name),
            curve.vertex_error_steps,
            curve.radius_px,
            curve.slope_px_per_step,
        )

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
            await self._settle(filter_name)
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
            self._placed = True
            self.watch.assume(filter_name, curve.vertex_steps - self._shift_steps(filter_name))
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
        if not self._placed:
            self._place(filter_name)
        return self.watch.place_steps(filter_name) + self._shift_steps(filter_name)

    def _place(self, filter_name: str) -> None:
        """Nobody knows where best focus is: as configured for a filter of offset 0, or here."""
        self._placed, start = True, self._observatory.focuser.start_steps
        here_steps = self._focuser.position_steps - self._shift_steps(filter_name)
        self.watch.assume(filter_name, here_steps if start is None else float(start))

    def _shift_steps(self, filter_name: str) -> float:
        """The filter's offset, and what the temperature has moved; a sensor that falls silent is
        taken to read what it read last.
        """
        now_c = self._focuser.temperature_c
        self._last_c = self._last_c if now_c is None else now_c
        if self._first_c is None:
            self._first_c = self._last_c
        if self._last_c is None or self._first_c is None:
            return self._offsets[filter_name]
        return self._offsets[filter_name] + self._slope_steps_per_c * (self._last_c - self._first_c)

    def _with_run_up(self, step_steps: int) -> Travel:
        """Until a curve was good, how scans begin: so far away that no play is left by the first
        point, however much there is.
        """
        return replace(self._travel, run_up_steps=FARTHEST * step_steps)

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
            travel=self._travel if self._known_rig else self._with_run_up(step),
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
