"""Where the focuser belongs: curves of star size, filter offsets, the watch for drift.

Star size is the half-flux radius: the radius of the circle that holds half of a star's light.
"""

from nightloom.focusing.best_focus import BestFocus
from nightloom.focusing.check import Check, CheckOutcome, judge_check, next_offset_steps
from nightloom.focusing.curve import (
    Curve,
    Point,
    Refusal,
    fit_curve,
    fit_points,
    measured_both_sides,
)
from nightloom.focusing.cusum import run_length, threshold_for
from nightloom.focusing.light import dimmed, light_ratio
from nightloom.focusing.measurement import FocusMeasurement, SubSize, Surprise
from nightloom.focusing.offsets import Offset, Offsets, Trust, learn_offsets
from nightloom.focusing.scan import SCANS_MAX, Aim, Scan, judge_scan, next_scan, plan_scan
from nightloom.focusing.shape import BLURRED_DISK, HYPERBOLA, Shape
from nightloom.focusing.sharpest import Sharpest
from nightloom.focusing.star_filter import star_filter
from nightloom.focusing.tilt import Tilt, measure_tilt
from nightloom.focusing.travel import Approach, Travel
from nightloom.focusing.watch import Watch
from nightloom.focusing.zone import blur_slope_px_per_um, critical_focus_zone_um, scan_step_steps

__all__ = [
    "BLURRED_DISK",
    "HYPERBOLA",
    "SCANS_MAX",
    "Aim",
    "Approach",
    "BestFocus",
    "Check",
    "CheckOutcome",
    "Curve",
    "FocusMeasurement",
    "Offset",
    "Offsets",
    "Point",
    "Refusal",
    "Scan",
    "Shape",
    "Sharpest",
    "SubSize",
    "Surprise",
    "Tilt",
    "Travel",
    "Trust",
    "Watch",
    "blur_slope_px_per_um",
    "critical_focus_zone_um",
    "dimmed",
    "fit_curve",
    "fit_points",
    "judge_check",
    "judge_scan",
    "learn_offsets",
    "light_ratio",
    "measure_tilt",
    "measured_both_sides",
    "next_offset_steps",
    "next_scan",
    "plan_scan",
    "run_length",
    "scan_step_steps",
    "star_filter",
    "threshold_for",
]
