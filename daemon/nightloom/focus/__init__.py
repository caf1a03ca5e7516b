"""Where the focuser belongs: curves of star size, filter offsets, the watch for drift.

Star size is the half-flux radius: the radius of the circle that holds half of a star's light.
"""

from nightloom.focus.curve import Curve, Point, Refusal, fit_curve, fit_points
from nightloom.focus.light import dimmed, light_ratio
from nightloom.focus.offsets import Offset, Offsets, Sighting, Trust, learn_offsets, position_for
from nightloom.focus.scan import SCANS_MAX, Aim, Scan, judge_scan, next_scan, plan_scan
from nightloom.focus.shape import BLURRED_DISK, HYPERBOLA, Shape
from nightloom.focus.travel import Approach, Travel
from nightloom.focus.watch import Drift, at_zenith_px, watch_drift, watch_filters
from nightloom.focus.zone import blur_slope_px_per_um, critical_focus_zone_um, scan_step_steps

__all__ = [
    "BLURRED_DISK",
    "HYPERBOLA",
    "SCANS_MAX",
    "Aim",
    "Approach",
    "Curve",
    "Drift",
    "Offset",
    "Offsets",
    "Point",
    "Refusal",
    "Scan",
    "Shape",
    "Sighting",
    "Travel",
    "Trust",
    "at_zenith_px",
    "blur_slope_px_per_um",
    "critical_focus_zone_um",
    "dimmed",
    "fit_curve",
    "fit_points",
    "judge_scan",
    "learn_offsets",
    "light_ratio",
    "next_scan",
    "plan_scan",
    "position_for",
    "scan_step_steps",
    "watch_drift",
    "watch_filters",
]
