"""Where the focuser belongs: curves of star size, filter offsets, the watch for drift.

Star size is the half-flux radius: the radius of the circle that holds half of a star's light.
"""

from nightloom.focus.air import Sub, Surprise, at_zenith_px, surprise
from nightloom.focus.check import Check, Verdict, judge_check, next_offset_steps
from nightloom.focus.curve import Curve, Point, Refusal, fit_curve, fit_points
from nightloom.focus.drift import Drift
from nightloom.focus.light import dimmed, light_ratio
from nightloom.focus.offsets import Offset, Offsets, Trust, learn_offsets
from nightloom.focus.runs import run_length, threshold_for
from nightloom.focus.scan import SCANS_MAX, Aim, Scan, judge_scan, next_scan, plan_scan
from nightloom.focus.shape import BLURRED_DISK, HYPERBOLA, Shape
from nightloom.focus.sighting import Sighting
from nightloom.focus.tilt import Tilt, measure_tilt
from nightloom.focus.travel import Approach, Travel
from nightloom.focus.watch import Watch
from nightloom.focus.zone import blur_slope_px_per_um, critical_focus_zone_um, scan_step_steps

__all__ = [
    "BLURRED_DISK",
    "HYPERBOLA",
    "SCANS_MAX",
    "Aim",
    "Approach",
    "Check",
    "Curve",
    "Drift",
    "Offset",
    "Offsets",
    "Point",
    "Refusal",
    "Scan",
    "Shape",
    "Sighting",
    "Sub",
    "Surprise",
    "Tilt",
    "Travel",
    "Trust",
    "Verdict",
    "Watch",
    "at_zenith_px",
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
    "next_offset_steps",
    "next_scan",
    "plan_scan",
    "run_length",
    "scan_step_steps",
    "surprise",
    "threshold_for",
]
