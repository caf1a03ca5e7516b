"""Whether the stars have come to rest after a dither or a slew."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum


class SettleState(Enum):
    """Where the settling is."""

    WAITING = "waiting"
    SETTLED = "settled"
    LATE = "late"


@dataclass(frozen=True)
class SettlePolicy:
    """At rest is within ``tolerance_px`` of the lock position for ``settle_time_s`` without a
    break. A dither with its settling takes 5 to 10 s (common practice, no source).
    """

    tolerance_px: float = 0.5
    settle_time_s: float = 4.0
    deadline_s: float = 60.0


@dataclass(frozen=True)
class Settling:
    """The verdict, how long the stars have been within tolerance, and the whole wait so far."""

    state: SettleState
    within_s: float
    waited_s: float


def settled(
    times_s: Sequence[float],
    errors_px: Sequence[float],
    policy: SettlePolicy,
    *,
    started_s: float,
) -> Settling:
    """Judge the distances ``errors_px`` from the lock position measured at ``times_s`` (rising).

    The last time is taken as now; a NaN error (no star held) is outside the tolerance.
    """
    now_s = times_s[-1] if times_s else started_s
    since_s = now_s
    for time_s, error_px in zip(reversed(times_s), reversed(errors_px), strict=True):
        if not error_px <= policy.tolerance_px:
            break
        since_s = time_s
    within_s, waited_s = now_s - since_s, now_s - started_s
    at_rest = bool(errors_px) and errors_px[-1] <= policy.tolerance_px
    if at_rest and within_s >= policy.settle_time_s:
        state = SettleState.SETTLED
    elif waited_s >= policy.deadline_s:
        state = SettleState.LATE
    else:
        state = SettleState.WAITING
    return Settling(state, within_s, waited_s)
