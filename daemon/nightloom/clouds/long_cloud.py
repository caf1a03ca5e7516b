"""What follows on a cloud: how the night goes on after it, and what is done when it stays."""

from dataclasses import dataclass
from enum import Enum


class AfterCloud(Enum):
    """What is done next."""

    WAIT = "wait"
    GO_ON = "go on with the same stars"
    RECENTRE = "centre the target anew"
    OTHER_TARGET = "try another target"
    END_NIGHT = "end the night"


@dataclass(frozen=True)
class LongCloud:
    """How long a cloud may hold before each; None for never.

    A sky that is thin and steady for `recentre_after_s` is haze rather than cloud: the night goes
    on under it with new stars, and its frames are judged by their own light.
    """

    recentre_after_s: float
    change_target_after_s: float | None = None
    end_night_after_s: float | None = None


@dataclass(frozen=True)
class Held:
    """A hold: how long no sub could be taken, how long before this target, for how long the sky
    has been nearly clear, and whether it is still too dim.
    """

    for_s: float
    here_s: float
    thin_for_s: float
    holding: bool


def after_cloud(held: Held, rule: LongCloud) -> AfterCloud:
    """What follows on a hold."""
    if not held.holding:
        return AfterCloud.GO_ON if held.here_s < rule.recentre_after_s else AfterCloud.RECENTRE
    if rule.end_night_after_s is not None and held.for_s >= rule.end_night_after_s:
        return AfterCloud.END_NIGHT
    if held.thin_for_s > 0 and held.thin_for_s >= rule.recentre_after_s:
        return AfterCloud.RECENTRE
    if rule.change_target_after_s is not None and held.here_s >= rule.change_target_after_s:
        return AfterCloud.OTHER_TARGET
    return AfterCloud.WAIT
