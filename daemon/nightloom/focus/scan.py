"""Which positions a focus curve is measured at, and where to look when it was the wrong place."""

from dataclasses import dataclass, replace

from nightloom.focus.curve import Curve, Refusal
from nightloom.focus.travel import Travel

LEAST_POINTS = 7
# Three scans of a few minutes: beyond that clouds or a fault are likelier than a far vertex.
_SCANS = 3


@dataclass(frozen=True)
class Scan:
    """Evenly spaced positions in the order of measuring, all approached from the same side.

    Go to `overshoot_steps` first, without measuring. `number` counts the scans of one focus run.
    """

    positions_steps: tuple[int, ...]
    overshoot_steps: int
    step_steps: int
    travel: Travel
    number: int = 1

    @property
    def centre_steps(self) -> float:
        return (self.positions_steps[0] + self.positions_steps[-1]) / 2.0

    @property
    def width_steps(self) -> int:
        return abs(self.positions_steps[-1] - self.positions_steps[0])


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
    return Scan(positions, first + travel.lead_steps, step_steps, travel)


def next_scan(curve: Curve, scan: Scan) -> Scan | None:
    """Where to look next after a refused curve; None when another scan would not help.

    A vertex outside: centre on it, but move no further than the width of the scan, since it is
    extrapolated. Flat: twice as wide.
    """
    if scan.number >= _SCANS:
        return None
    points = len(scan.positions_steps)
    try:
        if curve.refusal is Refusal.VERTEX_OUTSIDE:
            shift = curve.vertex_steps - scan.centre_steps
            shift = min(max(shift, -scan.width_steps), scan.width_steps)
            planned = plan_scan(scan.centre_steps + shift, scan.step_steps, points, scan.travel)
        elif curve.refusal is Refusal.FLAT:
            planned = plan_scan(scan.centre_steps, 2 * scan.step_steps, points, scan.travel)
        else:
            return None
    except ValueError:  # no room within the focuser's limits
        return None
    if planned.positions_steps == scan.positions_steps:
        return None
    return replace(planned, number=scan.number + 1)
