"""The plan of a night, or of what is left of it."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from math import inf

import numpy as np
from numpy.typing import NDArray

from nightloom.schedule.candidate import Block, Candidate, Plan
from nightloom.schedule.search import IDLE, Found, Night, search
from nightloom.schedule.sessions import short_sessions
from nightloom.sky import Interval, overlaps

Floats = NDArray[np.float64]


def make_plan(
    candidates: Sequence[Candidate],
    edges_unix_s: Floats,
    move_cost_s: float,
    start_target: str | None = None,
    least_session_s: float = 0.0,
    begun_target: str | None = None,
) -> Plan:
    """Which group of which target when, so that the night is worth most.

    The objective is the sum, over the steps between `edges_unix_s`, (steps + 1,), of

        weight × quality × open seconds

    of the candidate that has the step: `weight` says how much its target matters, `quality` what
    the air and the Moon leave of a second, and open seconds count only up to what the tally still
    lacks (`wanted_s`, and `target_s` for a whole target). A step that begins on another target than
    the one before loses `move_cost_s`, or all of it when it is shorter; groups of one target follow
    each other without loss. No step stays idle in which anything that is still wanted may run: a
    better hour may be clouded. `start_target` is where the telescope is already.

    No other target than `begun_target`, which the night had last, is begun for less than
    `least_session_s`, unless it has then all it wants. Where the best plan does, it is not to, and
    the best one without is found, again and again; so the plan may fall a little short of the best
    one that keeps to this.
    """
    plan = _best(candidates, edges_unix_s, move_cost_s, start_target)
    bound, begun = plan.bound, begun_target or start_target
    while short := short_sessions(plan, candidates, begun, least_session_s):
        barred = min(short, key=lambda one: (one.end_unix_s - one.start_unix_s, one.start_unix_s))
        candidates = [_without(one, barred) for one in candidates]
        plan = _best(candidates, edges_unix_s, move_cost_s, start_target)
        bound = max(bound, plan.objective)  # what is barred may stay idle for a better hour
    return replace(plan, bound=bound)


def _best(
    candidates: Sequence[Candidate],
    edges_unix_s: Floats,
    move_cost_s: float,
    start_target: str | None,
) -> Plan:
    if not candidates or len(edges_unix_s) < 2:
        return Plan((), 0.0, 0.0)
    found = search(Night.of(candidates, edges_unix_s, move_cost_s, start_target))
    return Plan(_blocks(candidates, edges_unix_s, found), found.objective, found.bound)


def _without(one: Candidate, session: Block) -> Candidate:
    """A candidate of the session's target without that time, others as they are."""
    if one.target != session.target:
        return one
    before = Interval(-inf, session.start_unix_s)
    after = Interval(session.end_unix_s, inf)
    return replace(one, windows=tuple(overlaps(one.windows, [before, after])))


def _blocks(
    candidates: Sequence[Candidate], edges_unix_s: Floats, found: Found
) -> tuple[Block, ...]:
    """Runs of one choice as blocks, cut to the candidate's window; edges are (steps + 1,)."""
    blocks = []
    for choice, run in groupby(range(len(found.choices)), key=found.choices.__getitem__):
        if choice != IDLE:
            steps, one = list(run), candidates[choice]
            start, end = float(edges_unix_s[steps[0]]), float(edges_unix_s[steps[-1] + 1])
            inside = [w for w in one.windows if w.end_unix_s > start and w.start_unix_s < end]
            blocks.append(
                Block(
                    one.target,
                    one.group,
                    max(start, inside[0].start_unix_s),
                    min(end, inside[-1].end_unix_s),
                    sum(found.open_s[step] for step in steps),
                )
            )
    return tuple(blocks)
