"""What a night is expected to bring: the plan, its seconds by filter, and what will be missing."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from nightloom.schedule import Block, Plan
from nightloom.schedule.windows import NightWindows, Tally
from nightloom.settings import AskedSub, Settings, Target
from nightloom.settings.groups import NOTHING
from nightloom.sky import Interval


@dataclass(frozen=True)
class FilterOutlook:
    """One filter of a target: what is there, what the night should add, and what was asked.

    `expected_worth_s` is what the added seconds are worth of a clear dark night at the zenith, as
    air and Moon go.
    """

    accepted_s: float
    expected_s: float
    wanted_s: float | None
    expected_worth_s: float = 0.0

    @property
    def missing_s(self) -> float | None:
        """What will still be missing in the morning; None when no hours were asked for."""
        if self.wanted_s is None:
            return None
        return max(0.0, self.wanted_s - self.accepted_s - self.expected_s)


@dataclass(frozen=True)
class Outlook:
    """The plan of a whole night, and for each target its filters."""

    night_windows: NightWindows
    targets: tuple[Target, ...]
    plan: Plan
    block_s: tuple[Mapping[str, float], ...]
    """For each block of the plan its expected seconds by filter."""
    filters: Mapping[str, Mapping[str, FilterOutlook]]

    def blocks_of(self, target: Target) -> list[Block]:
        """The target's blocks, in order; a panel's are those of its mosaic."""
        return [block for block in self.plan.blocks if block.target == target.whole]


def outlook(
    settings: Settings, night_windows: NightWindows, accepted: Tally, tonight: Tally
) -> Outlook:
    """Look at a whole night, with nothing lost but what the plan and the weave's bound say.

    `accepted` gives accepted seconds by filter of a target, a panel each, over all nights, and
    `tonight` those of this one, of all panels of a mosaic together; what the night gives to it is
    shared out over them.
    """
    plan = night_windows.plan(night_windows.dark.start_unix_s, accepted, tonight)
    targets = {target.name: target for target in settings.targets.targets}
    have = {name: dict(accepted(name)) for name in targets}
    had_tonight = {target.whole: Counter(tonight(target.name)) for target in targets.values()}
    block_s = []
    worth_s: Counter[tuple[str, str]] = Counter()
    for block in plan.blocks:
        within = Interval(block.start_unix_s, block.end_unix_s)
        part = night_windows.worth_part(block.target, block.group, within)
        whole_s, tonight_s = Counter[str](), had_tonight[block.target]
        panels = settings.targets.of(block.target)
        for number, target in enumerate(panels):
            filters, so_far = target.groups[block.group].filters, have[target.name]
            open_s = (block.open_s - sum(whole_s.values())) / (len(panels) - number)
            gained_s = expected_s(filters, so_far, open_s, tonight_s)
            for name, seconds in gained_s.items():
                so_far[name] = so_far.get(name, 0.0) + seconds
                worth_s[target.name, name] += part * seconds  # type: ignore[assignment]
            tonight_s.update(gained_s)
            whole_s.update(gained_s)
        block_s.append(whole_s)
    filters_of = {
        target.name: {
            name: _filter(
                sub,
                accepted(target.name).get(name, 0.0),
                have[target.name].get(name),
                worth_s[target.name, name],
            )
            for name, sub in target.subs.items()
        }
        for target in targets.values()
    }
    return Outlook(night_windows, tuple(targets.values()), plan, tuple(block_s), filters_of)


def expected_s(
    filters: Mapping[str, AskedSub],
    accepted_s: Mapping[str, float],
    open_s: float,
    tonight_s: Mapping[str, float] = NOTHING,
) -> dict[str, float]:
    """Open seconds shared out as the cycle asks; filters that are complete, or have what a night
    may give them, leave them to the others.
    """
    gained_s = dict.fromkeys(filters, 0.0)
    cycle_s = {name: sub.share * sub.exposure_s for name, sub in filters.items()}
    cycles_left = {
        name: sub.left_s(accepted_s.get(name, 0.0), tonight_s.get(name, 0.0)) / cycle_s[name]
        for name, sub in filters.items()
    }
    done = 0.0
    while going := [name for name, left in cycles_left.items() if left > done]:
        whole_s = sum(cycle_s[name] for name in going)
        affordable = open_s / whole_s
        cycles = min(affordable, min(cycles_left[name] for name in going) - done)
        for name in going:
            gained_s[name] += cycles * cycle_s[name]
        if cycles == affordable:
            break
        open_s -= cycles * whole_s
        done = min(cycles_left[name] for name in going)
    return gained_s


def _filter(
    sub: AskedSub, accepted_s: float, expected_total_s: float | None, worth_s: float
) -> FilterOutlook:
    total_s = accepted_s if expected_total_s is None else expected_total_s
    wanted_s = None if sub.wanted_hours is None else 3600.0 * sub.wanted_hours
    return FilterOutlook(accepted_s, total_s - accepted_s, wanted_s, worth_s)
