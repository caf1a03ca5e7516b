"""What is asked of a target, as the rules of cycles know it."""

from collections.abc import Mapping

from nightloom.cycle import Cycle, GapCosts, Share, lower_bound_s
from nightloom.schedule.costs import costs_of
from nightloom.settings import Settings, Sub, Target


def cycle_of(filters: Mapping[str, Sub]) -> Cycle:
    """The cycle of some filters."""
    return Cycle(tuple(Share(name, sub.share, sub.exposure_s) for name, sub in filters.items()))


def open_fraction(filters: Mapping[str, Sub], costs: GapCosts) -> float:
    """The largest part of its time that a cycle of these filters can keep the shutter open."""
    cycle = cycle_of(filters)
    return cycle.exposure_s / (cycle.exposure_s + lower_bound_s(cycle.counts, costs))


def bound_fraction(settings: Settings, target: Target) -> float:
    """The same for a target, by the group that loses least."""
    costs = costs_of(settings)
    return max(open_fraction(group.filters, costs) for group in target.groups)
