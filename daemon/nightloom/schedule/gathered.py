"""What a target has by now, read once for each decision, and what it lacks."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf

from nightloom.settings import AskedSub, Target
from nightloom.settings.groups import NOTHING


@dataclass(frozen=True)
class Gathered:
    """Seconds by filter of a target: accepted over all nights, and without a verdict yet.

    Those of this night are known where the target has a limit of hours for a night. A target that
    counts depth has what accepted subs are worth instead, and `usual_worth` is then the mean of an
    accepted second; pending ones count as if nothing were lost.
    """

    accepted_s: Mapping[str, float] = field(default_factory=dict)
    pending_s: Mapping[str, float] = field(default_factory=dict)
    accepted_tonight_s: Mapping[str, float] = field(default_factory=dict)
    usual_worth: float | None = None

    @property
    def taken_s(self) -> dict[str, float]:
        """Accepted over all nights, or without a verdict yet."""
        return _added(self.accepted_s, self.pending_s)

    @property
    def taken_tonight_s(self) -> dict[str, float]:
        """The same of this night; what has no verdict yet is of this night."""
        return _added(self.accepted_tonight_s, self.pending_s)


def lacking(target: Target, gathered: Gathered) -> dict[int, dict[str, AskedSub]]:
    """The filters that lack seconds, for each group that may go on tonight; by its number."""
    if left_tonight_s(target, gathered.taken_tonight_s) <= 0:
        return {}
    taken_s, tonight_s = gathered.taken_s, gathered.taken_tonight_s
    groups = {
        number: group.lacking(taken_s, tonight_s) for number, group in enumerate(target.groups)
    }
    return {number: filters for number, filters in groups.items() if filters}


def left_tonight_s(target: Target, tonight_s: Mapping[str, float]) -> float:
    """Accepted seconds that a night may still give to a target."""
    if target.maximum_hours is None:
        return inf
    return max(0.0, 3600.0 * target.maximum_hours - sum(tonight_s.values()))


def wanted_s(
    lacking: Mapping[str, AskedSub],
    accepted_s: Mapping[str, float],
    tonight_s: Mapping[str, float] = NOTHING,
) -> float:
    """Seconds that all these filters together still lack, or that a night may still give them;
    without end when one has no end.
    """
    return sum(
        sub.left_s(accepted_s.get(name, 0.0), tonight_s.get(name, 0.0))
        for name, sub in lacking.items()
    )


def is_nearly_complete(
    target: Target, accepted_s: Mapping[str, float], within_hours: float
) -> bool:
    """Whether a target lacks something, and no more than so many hours."""
    lacking_s = wanted_s(
        {name: sub.model_copy(update={"maximum_hours": None}) for name, sub in target.subs.items()},
        accepted_s,
    )
    return 0.0 < lacking_s <= 3600.0 * within_hours


def _added(first: Mapping[str, float], second: Mapping[str, float]) -> dict[str, float]:
    return {name: first.get(name, 0.0) + second.get(name, 0.0) for name in {*first, *second}}
