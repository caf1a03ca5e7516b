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
class SettlePolicy:
    """At rest is `INSIDE` the scatter of guiding in two frames at least ``settle_time_s`` apart,
    without a break. A dither with its settling takes 5 to 10 s (common practice, no source).
    """

    settle_time_s: float = 2.0
    deadline_s: float = 20.0


def settled(
    times_s: Sequence[float],
    distances: Sequence[float],
    policy: SettlePolicy,
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
    if len(rest_s) > 1 and rest_s[0] - rest_s[-1] >= policy.settle_time_s:
        return SettleState.SETTLED
    late = times_s[-1] - started_s >= policy.deadline_s
    return SettleState.LATE if late else SettleState.WAITING
