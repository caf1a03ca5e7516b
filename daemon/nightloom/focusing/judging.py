"""Whether a scan's curve is good, and whether clouds are why it is not."""

from collections.abc import Sequence
from dataclasses import replace

from nightloom.focusing.curve import Curve, Point, Refusal, fit_points
from nightloom.focusing.light import dimmed
from nightloom.focusing.scan import Aim, Scan, judge_scan

SPOILT = (Refusal.POOR_FIT, Refusal.TOO_FEW_STARS, Refusal.TOO_FEW_POINTS)
"""What clouds make of a scan; a vertex outside it is where to look next, whatever the light did."""


def judged(points: Sequence[Point], scan: Scan, aim: Aim, *, fine: bool) -> Curve:
    """The fitted and judged curve; refused for clouds where it fails and some points are spoilt."""
    curve = judge_scan(fit_points(points, aim.least_stars), scan, aim, points)
    if curve.refusal in SPOILT and fine and dimmed(points, aim.least_stars):
        return replace(curve, refusal=Refusal.CLOUDED)
    return curve
