"""A night of star sizes with somebody who watches them, and what came of it."""

from collections.abc import Callable
from dataclasses import dataclass, field

from focusing.star_sizes import (
    FAR_SLOPE_PX_PER_STEP,
    SPACING_S,
    ZONE_STEPS,
    Night,
    half_flux_radius_px,
)
from nightloom.focusing import (
    BestFocus,
    Check,
    CheckOutcome,
    SubSize,
    Watch,
    judge_check,
    next_offset_steps,
)

FRAME_S = 6.0  # exposure, download and move of a brief frame
BELIEVED_ZONES_PER_H = 1.0  # the default of the setting
OFFSET_ERROR = 0.15  # zones, of a configured offset


SIDES = {"L": 1, "R": -1, "G": 1, "B": -1}
STEEPNESS = FAR_SLOPE_PX_PER_STEP * ZONE_STEPS / half_flux_radius_px(2.8 / 1.46 / 2.3548, 0.0)
CURVE_ERROR = 0.02  # zones
LOOK_S = 35.0
MOST_OFF = 0.4
SOONEST_S = 900.0


@dataclass
class Outcome:
    """Times of looks, how many of them no alarm but their age asked for, and what came of them;
    `growths` are those of the subs by defocus, a fraction each.
    """

    looks_s: list[float] = field(default_factory=list)
    aged: int = 0
    checks: list[Check] = field(default_factory=list)
    curves: int = 0
    growth_at_look: list[float] = field(default_factory=list)
    growths: list[float] = field(default_factory=list)

    @property
    def largest_growth(self) -> float:
        """Of the night."""
        return max(self.growths, default=0.0)


def watch_night(
    night: Night, false_alarms_per_night: float = 2.0, sway_growth: float = 0.01
) -> Outcome:
    """Take a night's subs after a curve, swaying; look when one is due, and take a curve where
    that leaves it open.
    """
    outcome, watch, sides = Outcome(), Watch(), dict(SIDES)
    errors = dict.fromkeys(SIDES, OFFSET_ERROR)
    best = BestFocus.begun(0.0, errors, BELIEVED_ZONES_PER_H)
    best, looked_s = best.curved(0.0, "L", 0.0, CURVE_ERROR, STEEPNESS), 0.0
    for at_s, name in night.subs():
        sides[name] = -sides[name]
        place = best.place(name, at_s) + sides[name] * best.sway(at_s, sway_growth)
        night.moved_steps = round(ZONE_STEPS * place)
        radius_px = night.frame_px(at_s, name, 0.0, night.sub_noise)
        seen = (radius_px, night.airmass(at_s), night.moved_steps / ZONE_STEPS)
        best, surprise = best.saw(SubSize(at_s, name, *seen, night.guide_px(at_s)))
        watch = watch.saw(at_s, surprise.growth, surprise.standard)
        outcome.growths.append(night.growth(at_s))
        closed_s = at_s + SPACING_S / 2
        alarmed = watch.alarms(false_alarms_per_night)
        if alarmed or (best.off(closed_s) > MOST_OFF and closed_s > looked_s + SOONEST_S):
            outcome.looks_s.append(at_s)
            outcome.aged += not alarmed
            outcome.growth_at_look.append(night.growth(at_s))
            night.moved_steps = round(ZONE_STEPS * best.place(name, closed_s))
            check = check_night(night, closed_s, name)
            outcome.checks.append(check)
            if check.verdict is CheckOutcome.UNCLEAR:
                outcome.curves += 1
                place = -(night.defocus(closed_s) + night.offset_steps(name)) / ZONE_STEPS
                best = best.curved(closed_s, name, place, CURVE_ERROR, STEEPNESS)
            else:
                place = (night.moved_steps + check.estimate_steps) / ZONE_STEPS
                best = best.looked(closed_s, name, place, check.error_steps / ZONE_STEPS)
            watch, looked_s = watch.focused(), closed_s
    return outcome


def check_night(night: Night, at_s: float, name: str) -> Check:
    """The two-sided test, on the night's star sizes."""
    offsets: list[float] = []
    radii: list[float] = []
    check: Check | None = None
    while (offset := next_offset_steps(len(offsets), ZONE_STEPS, check)) is not None:
        offsets.append(offset)
        radii.append(night.frame_px(at_s, name, offset, night.frame_noise))
        at_s += FRAME_S
        check = judge_check(offsets, radii, FAR_SLOPE_PX_PER_STEP, ZONE_STEPS)
    assert check is not None
    return check


def plain_night(night: Night) -> Outcome:
    """The usual rule: a growth of 5 % over 15 subs of a filter asks for a curve.

    Common practice, no source. The first sub of the 15 is held against the last one, after the
    same correction for airmass.
    """
    outcome = Outcome()
    sizes: dict[str, list[float]] = {}
    for at_s, name in night.subs():
        radius_px = night.frame_px(at_s, name, 0.0, night.sub_noise) / night.airmass(at_s) ** 0.6
        of_filter = sizes.setdefault(name, [])
        of_filter.append(radius_px)
        if len(of_filter) >= 15 and of_filter[-1] > 1.05 * of_filter[-15]:
            outcome.looks_s.append(at_s)
            outcome.growth_at_look.append(night.growth(at_s))
            outcome.curves += 1
            night.moved_steps = -night.defocus(at_s)
            sizes.clear()
        outcome.growths.append(night.growth(at_s))
    return outcome


Watcher = Callable[[Night], Outcome]
