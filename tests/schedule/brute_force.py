"""Every plan of a small night, weighed as the objective says, in plain words and plain Python."""

from collections import defaultdict
from collections.abc import Sequence
from itertools import product
from math import inf

from nightloom.schedule import Candidate


def worth(
    choices: Sequence[int | None],
    candidates: Sequence[Candidate],
    edges_s: Sequence[float],
    move_cost_s: float,
    start_target: str | None,
) -> float:
    """What a plan is worth that gives each step to a candidate, or to none."""
    on = start_target
    group_s: dict[int, float] = defaultdict(float)
    target_s: dict[str, float] = defaultdict(float)
    total = 0.0
    for step, choice in enumerate(choices):
        if choice is None:
            if any(
                usable(one, edges_s[step], edges_s[step + 1]) > 0
                and one.wanted_s > group_s[number]
                and one.target_s > target_s[one.target]
                for number, one in enumerate(candidates)
            ):
                return -inf  # idle, while something wanted could run
            on = None
            continue
        one = candidates[choice]
        usable_s = usable(one, edges_s[step], edges_s[step + 1])
        if usable_s == 0:
            return -inf
        if one.target != on:
            usable_s = max(0.0, usable_s - move_cost_s)
        on = one.target
        room_s = min(one.wanted_s - group_s[choice], one.target_s - target_s[one.target])
        if room_s <= 0:
            return -inf
        open_s = min(usable_s * one.open_fraction, room_s)
        group_s[choice] += open_s
        target_s[one.target] += open_s
        total += one.weight * float(one.quality[step]) * open_s
    return total


def usable(one: Candidate, begin: float, end: float) -> float:
    """Seconds between two moments that lie in the candidate's windows."""
    return sum(
        max(0.0, min(end, window.end_unix_s) - max(begin, window.start_unix_s))
        for window in one.windows
    )


def best_worth(
    candidates: Sequence[Candidate],
    edges_s: Sequence[float],
    move_cost_s: float,
    start_target: str | None,
) -> float:
    """What the best of all plans is worth."""
    choices = [None, *range(len(candidates))]
    return max(
        worth(plan, candidates, edges_s, move_cost_s, start_target)
        for plan in product(choices, repeat=len(edges_s) - 1)
    )
