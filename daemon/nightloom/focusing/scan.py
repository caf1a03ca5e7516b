"""Which positions a focus curve is measured at, and where to look when it was the wrong place."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil
from statistics import median

import numpy as np

from nightloom.focusing.curve import Curve, Point, Refusal, fit_curve
from nightloom.focusing.shape import Floats
from nightloom.focusing.travel import Travel

LEAST_POINTS = 7
SCANS_MAX = 12
"""From a first scan that shows nothing, eight look over the whole travel and four come back in."""

_WIDER, _WIDER_STARLESS, _WIDER_OUTSIDE = 4, 16, 2.5
_QUARTERS = 4
_TRUSTED_PX = 15.0  # stars larger than this are rings and fragments, whose size says little
_DISTINCT = 0.7  # of the others' radius: a position that sharp is near the focus
_REACH = 1.3  # a scan that is to hold the focus goes this much farther than star sizes say
_COARSE = 1.25  # a step this much over the wanted one is worth a finer scan
_TOO_COARSE = 3.0  # however small its stated error, a scan this coarse is followed by a finer one
_SIGMAS = 3.0  # a finer scan holds the vertex with this many standard errors on either side
_LOOSE_SCATTER = 0.025  # of the points about a curve: below, no gears were loose
_LOOSE_LEAST, _LOOSE_MOST = 1.5, 4.0  # steps of a scan that loose gears are looked for
_LOOSE_MISFIT = 0.45  # of the misfit, when that explains the points; a bad one hardly does
_LONGER_LEAD, _LONGEST_LEAD = 3, 9  # times the backlash known so far, and the scan's width
_MOVED = 0.25  # of what geometry says the largest stars of a scan must be, if the focuser moves


@dataclass(frozen=True)
class Scan:
    """Evenly spaced positions in the order of measuring, all approached from the same side.

    Go to `overshoot_steps` first, without measuring. `number` counts the scans of one focus run.
    `flat_steps` is the largest step that this run has found too fine to show a curve.
    """

    positions_steps: tuple[int, ...]
    overshoot_steps: int
    step_steps: int
    travel: Travel
    number: int = 1
    flat_steps: int = 0

    @property
    def centre_steps(self) -> float:
        return (self.positions_steps[0] + self.positions_steps[-1]) / 2.0

    @property
    def width_steps(self) -> int:
        return abs(self.positions_steps[-1] - self.positions_steps[0])


@dataclass(frozen=True)
class Aim:
    """What a focus run is to reach: a fine scan, and an error within a quarter of the zone.

    `slope_px_per_step` is how fast stars are expected to grow far from focus.
    """

    step_steps: int
    points: int
    travel: Travel
    zone_steps: float
    slope_px_per_step: float
    least_stars: int = 1


def plan_scan(centre_steps: float, step_steps: int, points: int, travel: Travel) -> Scan:
    """A scan balanced about a centre, moved along where the focuser's limits ask for it.

    Raises ValueError with fewer than seven points, a step below 1, or when the limits leave no
    room for the scan and the overshoot before it.
    """
    if points < LEAST_POINTS or step_steps < 1:
        raise ValueError(
            f"a scan needs at least {LEAST_POINTS} points and a step of at least 1, "
            f"not {points} and {step_steps}"
        )
    first = round(centre_steps - travel.sign * step_steps * (points - 1) / 2.0)
    run = travel.sign * step_steps * (points - 1)
    low = travel.minimum_steps - min(travel.lead_steps, run)
    high = travel.maximum_steps - max(travel.lead_steps, run)
    if low > high:
        raise ValueError(
            f"{points} points {step_steps} steps apart do not fit between "
            f"{travel.minimum_steps} and {travel.maximum_steps}"
        )
    first = min(max(first, low), high)
    positions = tuple(first + travel.sign * step_steps * n for n in range(points))
    return Scan(positions, travel.scan_begin(first), step_steps, travel)


def judge_scan(curve: Curve, scan: Scan, aim: Aim, points: Sequence[Point]) -> Curve:
    """The curve, refused when its scan was coarser than need be, or the focuser did not move.

    By geometry some star of a scan must be as large as half of its width makes it. Stars much
    smaller, and all of one size, say that the positions were not what the focuser reports. In a
    fine scan it may have begun to move late, with its gears still loose.
    """
    if curve.refusal in (None, Refusal.POOR_FIT) and _began_late(curve, scan, aim, points):
        return replace(curve, refusal=Refusal.LOPSIDED)
    if curve.refusal is None and _coarse(curve, scan, aim):
        return replace(curve, refusal=Refusal.COARSE)
    if curve.refusal is Refusal.FLAT:
        largest_px = max(point.radius_px for point in points if point.counts(aim.least_stars))
        expected_px = aim.slope_px_per_step * scan.width_steps / 2.0
        widest = scan.step_steps >= _largest_step(aim)
        if largest_px < min(_TRUSTED_PX, _MOVED * expected_px) or (
            widest and largest_px < _TRUSTED_PX
        ):
            return replace(curve, refusal=Refusal.UNMOVED)
    return curve


def next_scan(curve: Curve, scan: Scan, aim: Aim, points: Sequence[Point]) -> Scan | None:
    """Where to look next after a refused curve; None when another scan would not help.

    Begun with loose gears: once more, from farther away. Too coarse: finer, about the vertex.
    Vertex outside: towards it, and wider when it is far. Otherwise towards the one position that
    shows much smaller stars than the others; without one, as wide as the stars' size asks for, up
    to the focuser's limits.
    """
    match curve.refusal:
        case None | Refusal.UNMOVED | Refusal.CLOUDED:
            return None
        case Refusal.LOPSIDED:
            return _longer_lead(scan, aim)
        case Refusal.COARSE:
            return _follow(scan, aim, curve.vertex_steps, _finer(curve, scan, aim))
        case Refusal.VERTEX_OUTSIDE:
            return _outside(curve, scan, aim)
    best = _distinct(points, aim.least_stars)
    if best is not None:
        return _towards(best, scan, aim)
    if curve.refusal is Refusal.POOR_FIT and scan.step_steps <= aim.step_steps:
        return None
    return _wider(scan, aim, points)


def _began_late(curve: Curve, scan: Scan, aim: Aim, points: Sequence[Point]) -> bool:
    """Whether the points fit far better when the first ones are all taken to be at one place.

    That is where backlash that was not taken up leaves the focuser until it moves.
    """
    if scan.step_steps > _COARSE * aim.step_steps or curve.scatter < _LOOSE_SCATTER:
        return False
    used = [point for point in points if point.counts(aim.least_stars)]
    radii, stars = [point.radius_px for point in used], [point.stars for point in used]
    said = np.array([point.position_steps for point in used], float)
    behind = scan.travel.sign * (said - scan.positions_steps[0])
    for late in np.arange(_LOOSE_LEAST, _LOOSE_MOST + 0.1, 0.5) * scan.step_steps:
        truly = said + scan.travel.sign * np.maximum(late - behind, 0.0)
        held = fit_curve(truly, radii, stars)
        if _misfit(held, truly, radii) < _LOOSE_MISFIT * _misfit(curve, said, radii):
            return True
    return False


def _misfit(curve: Curve, positions: Floats, radii_px: Sequence[float]) -> float:
    """Sum over n points of how far radii are from the curve, relative to it; NaN where one is."""
    return float(np.abs(np.asarray(radii_px) / curve.radius_at(positions) - 1.0).sum())


def _longer_lead(scan: Scan, aim: Aim) -> Scan | None:
    """The same scan begun farther away, so that gears with more play than is known of hold.

    None when it was begun so far away that this is not what is wrong, or the travel is too short.
    """
    backlash = max(scan.width_steps, _LONGER_LEAD * scan.travel.backlash_steps)
    travel = replace(scan.travel, backlash_steps=backlash)
    room = travel.maximum_steps - travel.minimum_steps
    if backlash > _LONGEST_LEAD * scan.width_steps or scan.number >= SCANS_MAX:
        return None
    if scan.width_steps + abs(travel.lead_steps) > room:
        return None
    planned = plan_scan(scan.centre_steps, scan.step_steps, aim.points, travel)
    return replace(planned, number=scan.number + 1, flat_steps=scan.flat_steps)


def _finest(scan: Scan, aim: Aim) -> int:
    """The step that is wanted, or one that shows a curve where that did not."""
    return max(aim.step_steps, 2 * scan.flat_steps)


def _coarse(curve: Curve, scan: Scan, aim: Aim) -> bool:
    finest = _finest(scan, aim)
    if scan.step_steps > _TOO_COARSE * finest:
        return True
    unsure = curve.vertex_error_steps > aim.zone_steps / 4.0
    return unsure and scan.step_steps > _COARSE * finest


def _finer(curve: Curve, scan: Scan, aim: Aim) -> int:
    """A step that lets half of a scan hold the vertex for sure, and is finer by a factor of two."""
    sure = _SIGMAS * curve.vertex_error_steps / ((aim.points - 1) / 4.0)
    return max(_finest(scan, aim), min(scan.step_steps // 2, ceil(sure)))


def _outside(curve: Curve, scan: Scan, aim: Aim) -> Scan | None:
    """The vertex is extrapolated: move no further than the width of the scan."""
    shift = curve.vertex_steps - scan.centre_steps
    far = abs(shift) > scan.width_steps
    shift = min(max(shift, -scan.width_steps), scan.width_steps)
    step = round(scan.step_steps * (_WIDER_OUTSIDE if far else 1.0))
    return _follow(scan, aim, scan.centre_steps + shift, step)


def _distinct(points: Sequence[Point], least_stars: int) -> int | None:
    """Number of the one point whose stars are much smaller than those of the others."""
    counting = [n for n, point in enumerate(points) if point.counts(least_stars)]
    if not counting:
        return None
    best = min(counting, key=lambda n: points[n].radius_px)
    others = [points[n].radius_px for n in counting if n != best]
    lonely = len(others) < 2
    return best if lonely or points[best].radius_px < _DISTINCT * median(others) else None


def _towards(best: int, scan: Scan, aim: Aim) -> Scan | None:
    """About one position: no further than its neighbours, or outwards when it is the last."""
    position = scan.positions_steps[best]
    if best in (0, len(scan.positions_steps) - 1):
        outwards = _follow(scan, aim, position, scan.step_steps)
        if outwards is not None:  # otherwise the focuser's limit is there
            return outwards
    step = max(aim.step_steps, ceil(1.5 * scan.step_steps / ((aim.points - 1) / 2.0)))
    return _follow(scan, aim, position, step) if step < scan.step_steps else None


def _wider(scan: Scan, aim: Aim, points: Sequence[Point]) -> Scan | None:
    """As far as the smallest stars say the focus is, and at least four times as wide."""
    if scan.step_steps in (_largest_step(aim), _closest_look(aim)):
        return _closer_look(scan, aim)
    radii = [point.radius_px for point in points if point.counts(aim.least_stars)]
    away = min(radii, default=0.0) / aim.slope_px_per_step
    starless = not radii and scan.number == 1
    least = scan.step_steps * (_WIDER_STARLESS if starless else _WIDER)
    step = max(least, round(2 * _REACH * away / (aim.points - 1)))
    flat = scan.step_steps if radii and max(radii) < _TRUSTED_PX else 0
    return _follow(replace(scan, flat_steps=flat), aim, scan.centre_steps, step)


def _closer_look(scan: Scan, aim: Aim) -> Scan | None:
    """The whole travel showed nothing: its quarters, one after the other, four times as fine."""
    low, high = aim.travel.minimum_steps, aim.travel.maximum_steps
    step, quarter = _closest_look(aim), (high - low) / _QUARTERS
    begun = scan.step_steps == step
    number = int((scan.centre_steps - low) / quarter) + 1 if begun else 0
    if number >= _QUARTERS:
        return None
    return _follow(scan, aim, low + (number + 0.5) * quarter, step)


def _closest_look(aim: Aim) -> int:
    return max(_largest_step(aim) // _QUARTERS, 1)


def _largest_step(aim: Aim) -> int:
    travel = aim.travel
    room = travel.maximum_steps - travel.minimum_steps - abs(travel.lead_steps)
    return max(room // (aim.points - 1), 1)


def _follow(scan: Scan, aim: Aim, centre_steps: float, step_steps: int) -> Scan | None:
    """The scan after another; None after too many, or when it is the same once more."""
    step = min(step_steps, max(_largest_step(aim), aim.step_steps))
    planned = plan_scan(centre_steps, step, aim.points, aim.travel)
    if scan.number >= SCANS_MAX or planned.positions_steps == scan.positions_steps:
        return None
    return replace(planned, number=scan.number + 1, flat_steps=scan.flat_steps)
