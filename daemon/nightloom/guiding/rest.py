"""Whether the stars have come to rest after a dither or a slew: by statistics, not by a number."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

INSIDE = 2.45
"""Scatters of both axes within which 95 % of guided frames lie: √(χ², 2 degrees of freedom)."""


class SettleState(Enum):
    """Where the settling is."""

    WAITING = "waiting"
    SETTLED = "settled"
    LATE = "late"


@dataclass(frozen=True)
class RestPolicy:
    """At rest is `INSIDE` the scatter of guiding in two frames at least ``rest_for_s`` apart,
    without a break, and no frame further off than ``rest_within_px`` unless the air makes it.
    After ``deadline_s`` it is not waited for any more.
    """

    rest_for_s: float = 2.0
    deadline_s: float = 20.0
    rest_within_px: float = float("inf")

    def is_far(self, error_px: float, seeing_px: float) -> bool:
        """Whether an error is more than is called rest, and more than the air makes of it, which
        is ``seeing_px`` of both axes together. A NaN error (no star held) is not far.
        """
        return error_px > max(self.rest_within_px, INSIDE * seeing_px / 2**0.5)


def settled(
    times_s: Sequence[float],
    distances: Sequence[float],
    policy: RestPolicy,
    *,
    started_s: float,
) -> SettleState:
    """Judge distances from the hold point, in scatters, measured at ``times_s`` (rising).

    The last time is taken as now; a NaN distance (no star held) is not inside.
    """
    if not times_s:
        return SettleState.WAITING
    rest_s: list[float] = []
    for time_s, distance in zip(reversed(times_s), reversed(distances), strict=True):
        if not distance <= INSIDE:
            break
        rest_s.append(time_s)
    if len(rest_s) > 1 and rest_s[0] - rest_s[-1] >= policy.rest_for_s:
        return SettleState.SETTLED
    late = times_s[-1] - started_s >= policy.deadline_s
    return SettleState.LATE if late else SettleState.WAITING
