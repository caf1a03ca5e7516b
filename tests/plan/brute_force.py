"""Every plan of a small night, weighed as the objective says, in plain words and plain Python."""

from collections import defaultdict
from collections.abc import Sequence
from itertools import product
from math import inf

from nightloom.plan import Candidate


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
            on = None
            continue
        one = candidates[choice]
        begin, end = edges_s[step], edges_s[step + 1]
        usable_s = sum(
            max(0.0, min(end, window.end_unix_s) - max(begin, window.start_unix_s))
            for window in one.windows
        )
        if usable_s == 0:
            return -inf
        if one.target != on:
            usable_s = max(0.0, usable_s - move_cost_s)
        on = one.target
        open_s = min(
            usable_s * one.open_fraction,
            one.wanted_s - group_s[choice],
            one.target_s - target_s[one.target],
        )
        group_s[choice] += open_s
        target_s[one.target] += open_s
        total += one.weight * float(one.quality[step]) * open_s
    return total


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
