"""Where the focuser belongs: curves of star size, filter offsets, the watch for drift.

Star size is the half-flux radius: the radius of the circle that holds half of a star's light.
"""

from nightloom.focus.curve import Curve, Refusal, fit_curve
from nightloom.focus.offsets import position_for
from nightloom.focus.scan import Scan, next_scan, plan_scan
from nightloom.focus.travel import Approach, Travel
from nightloom.focus.watch import Drift, at_zenith_px, watch_drift, watch_filters
from nightloom.focus.zone import blur_slope_px_per_um, critical_focus_zone_um, scan_step_steps

__all__ = [
    "Approach",
    "Curve",
    "Drift",
    "Refusal",
    "Scan",
    "Travel",
    "at_zenith_px",
    "blur_slope_px_per_um",
    "critical_focus_zone_um",
    "fit_curve",
    "next_scan",
    "plan_scan",
    "position_for",
    "scan_step_steps",
    "watch_drift",
    "watch_filters",
]
