"""A night of star sizes with somebody who watches them, and what came of it."""

from collections.abc import Callable
from dataclasses import dataclass, field

from focusing.star_sizes import FAR_SLOPE_PX_PER_STEP, SPACING_S, ZONE_STEPS, Night
from nightloom.focusing import (
    Check,
    CheckOutcome,
    Drift,
    SubSize,
    Watch,
    judge_check,
    next_offset_steps,
)

FRAME_S = 6.0  # exposure, download and move of a brief frame
BELIEVED_ZONES_PER_H = 1.0  # the default of the setting


@dataclass
class Outcome:
    """Times of looks, how many of them no alarm but their age asked for, and what came of them."""

    looks_s: list[float] = field(default_factory=list)
    aged: int = 0
    checks: list[Check] = field(default_factory=list)
    curves: int = 0
    growth_at_look: list[float] = field(default_factory=list)
    largest_growth: float = 0.0


def watch_night(night: Night, false_alarms_per_night: float = 2.0) -> Outcome:
    """Take a night's subs after a curve; check when a look is due, and correct or take a curve."""
    outcome, watch, drift, moved_steps = (
        Outcome(),
        Watch(),
        Drift.begun(0, BELIEVED_ZONES_PER_H),
        0.0,
    )
    for at_s, name in night.subs():
        night.moved_steps = moved_steps + ZONE_STEPS * drift.shift_at(at_s)
        radius_px = night.frame_px(at_s, name, 0.0, night.sub_noise)
        airmass, guide_px, pointing = (
            night.airmass(at_s),
            night.guide_px(at_s),
            night.pointing(at_s),
        )
        watch = watch.saw(SubSize(at_s, name, radius_px, airmass, guide_px, pointing))
        outcome.largest_growth = max(outcome.largest_growth, night.growth(at_s))
        closed_s = at_s + SPACING_S / 2
        alarmed = watch.alarms(false_alarms_per_night)
        if alarmed or closed_s >= drift.due_s:
            outcome.looks_s.append(at_s)
            outcome.aged += not alarmed
            outcome.growth_at_look.append(night.growth(at_s))
            moved_steps += ZONE_STEPS * drift.shift_at(closed_s)
            night.moved_steps = moved_steps
            check = check_night(night, closed_s, name)
            outcome.checks.append(check)
            found, error = check.estimate_steps, check.error_steps
            correction = check.correction_steps
            if check.verdict is CheckOutcome.UNCLEAR:
                outcome.curves += 1
                found = correction = -night.defocus(closed_s) - night.moved_steps
                error = 0.0
            moved_steps += correction
            zones = (steps / ZONE_STEPS for steps in (found, error, found - correction))
            drift = drift.looked(closed_s, *zones)
            watch = watch.focused(moved=check.verdict is not CheckOutcome.STAYED)
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
        outcome.largest_growth = max(outcome.largest_growth, night.growth(at_s))
    return outcome


Watcher = Callable[[Night], Outcome]
