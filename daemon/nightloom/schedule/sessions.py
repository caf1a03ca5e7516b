"""Sessions: what of a plan stays on one target without a break, whatever its groups."""

from collections.abc import Sequence

from nightloom.schedule.candidate import Block, Candidate, Plan

ALIKE_S = 1.0
"""Less than this is no break, and lacking less is lacking nothing."""


def sessions(plan: Plan) -> list[Block]:
    """The plan's sessions in order, each as a block from its beginning to its end."""
    found: list[Block] = []
    for block in plan.blocks:
        last = found[-1] if found else None
        if (
            last is not None
            and last.target == block.target
            and block.start_unix_s - last.end_unix_s < ALIKE_S
        ):
            open_s = last.open_s + block.open_s
            found[-1] = Block(last.target, last.group, last.start_unix_s, block.end_unix_s, open_s)
        else:
            found.append(block)
    return found


def short_sessions(
    plan: Plan, candidates: Sequence[Candidate], begun_target: str | None, least_s: float
) -> list[Block]:
    """Sessions shorter than so many seconds: of those on another target than the one that was begun
    last, and after which something is still lacking.
    """
    lacking_s = {one.target: _wanted_s(one.target, candidates) for one in candidates}
    short = []
    for number, one in enumerate(sessions(plan)):
        lacking_s[one.target] -= one.open_s
        goes_on = number == 0 and one.target == begun_target
        is_short = one.end_unix_s - one.start_unix_s < least_s - ALIKE_S
        if is_short and not goes_on and lacking_s[one.target] > ALIKE_S:
            short.append(one)
    return short


def _wanted_s(target: str, candidates: Sequence[Candidate]) -> float:
    """Open seconds that all groups of a target together may still take."""
    own = [one for one in candidates if one.target == target]
    return min(sum(one.wanted_s for one in own), own[0].target_s)
