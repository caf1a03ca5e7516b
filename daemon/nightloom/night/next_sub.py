"""What is next on the running target, or why nothing is: a decision from facts, and no more.

It knows no device, clock, ledger or log; `target_run.py` reads the facts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from typing import Literal

from nightloom.cycle import GapCosts, Taken, Weave, next_sub, unevenness
from nightloom.night.phases import Next, Phase
from nightloom.schedule import Choice
from nightloom.schedule.gathered import Gathered, lacking
from nightloom.schedule.meridian_limits import EDGE_S
from nightloom.schedule.windows import STEP_S
from nightloom.settings import AskedSub, Target, cycle_of
from nightloom.settings.policies import DitherPolicy
from nightloom.sky import Interval

LEEWAY_S = 10.0
"""A sub ends this long before the limit of its pier side: dithers and pulses move the telescope."""

CYCLE_ENDS = 1e-6
"""Unevenness below this, in cycles, is that of rounding: all filters have whole cycles."""


@dataclass(frozen=True)
class Planned:
    """A sub that is due, the cycle that it belongs to, and whether the pointing moves before it."""

    filter: str
    exposure_s: float
    dither: bool
    cycle: int = 1
    reason: str = ""


Ending = Next[Literal[Phase.CROSSING, Phase.ACQUIRING, Phase.READYING, Phase.RETIRING]]
"""Why no other sub of a target is taken, and where that leads."""


@dataclass(frozen=True)
class SideFacts:
    """The side of the pier on which the telescope is, and the way to the other one."""

    left_s: float = inf
    """Until the last hour angle of this side."""
    may_change: bool = False
    """Whether it is west of the pier, from where the east can be reached."""
    east_in_s: float = 0.0
    """Until the east may look at the target; negative when it may already."""
    stands_still: bool = False
    """Whether neither side may look for a while."""
    crossing_s: float = 0.0
    """What the way to the other side takes."""


@dataclass(frozen=True)
class Facts:
    """All that the next sub hangs on, at one moment."""

    now_s: float
    target: Target
    gathered: Gathered
    filters: Mapping[str, AskedSub]
    """The filters that are taken in turn now."""
    cycle: int
    """Number of the cycle that is under way."""
    weave: Weave
    costs: GapCosts
    choice: Choice
    """What the plan has now, and later."""
    windows: Sequence[Interval]
    """When the target may run tonight, in order."""
    dark_end_s: float
    cut_early: bool = False
    """Whether that is before dawn, as it was asked for."""
    side: SideFacts = SideFacts()
    recent: Sequence[Taken] = ()
    """Tonight's latest subs of the filters, those without a verdict last."""
    taken_here: Sequence[str] = ()
    """The filter of each sub that was taken at the present pointing."""
    dither: DitherPolicy = field(default_factory=DitherPolicy)
    """The target's."""
    downloading: str = ""
    """Filter of the frame that still comes down, if one does."""
    before_s: float = 0.0
    """What comes before the sub, beside a gap: a look at the focus."""
    failed_check: str | None = ""
    """Why the first sub after the meridian was rejected; None before it has a verdict."""
    make_up_cycles: int = 2

    def later(self, now_s: float, side: SideFacts) -> "Facts":
        """The same a while later, when only the clock and the mount have gone on."""
        plan_time_s = self.choice.now_unix_s + now_s - self.now_s
        choice = replace(self.choice, now_unix_s=plan_time_s)
        return replace(self, now_s=now_s, side=side, choice=choice)


def decide(facts: Facts) -> Planned | Ending:
    """The sub that is next; or why none of this target may begin, and where that leads."""
    planned = due_sub(facts)
    last = facts.downloading or planned.filter
    gap_s = facts.costs.gap_s(last, planned.filter, planned.dither)
    return _ending(facts, cut_short(facts, planned, facts.before_s + gap_s)) or planned


def following(facts: Facts, filter_name: str, exposure_s: float) -> Planned | Ending:
    """What comes after a sub that is exposed now, were it to count; `facts` are of its end."""
    pending_s = dict(facts.gathered.pending_s)
    pending_s[filter_name] = pending_s.get(filter_name, 0.0) + exposure_s
    return decide(
        replace(
            facts,
            gathered=replace(facts.gathered, pending_s=pending_s),
            taken_here=[*facts.taken_here, filter_name],
            recent=[*facts.recent, Taken(filter_name, None)],
            downloading=filter_name,
        )
    )


def due_sub(facts: Facts) -> Planned:
    """The sub that the tally asks for, whether it fits or not."""
    due = next_sub(
        cycle_of(facts.filters, facts.dither),
        facts.weave,
        facts.gathered.accepted_s,
        facts.gathered.pending_s,
        facts.taken_here,
        facts.recent,
        facts.make_up_cycles,
        facts.gathered.usual_worth,
    )
    exposure_s = facts.filters[due.filter].exposure_s
    return Planned(due.filter, exposure_s, due.dither_before, facts.cycle, due.reason)


def cut_short(facts: Facts, planned: Planned, begins_in_s: float = 0.0) -> Ending | None:
    """What would cut short a sub that begins in so many seconds; None when nothing would."""
    name, lasts_s = facts.target.name, begins_in_s + planned.exposure_s
    end_s = facts.now_s + lasts_s
    if end_s > facts.dark_end_s:
        until = "the hours asked for are over" if facts.cut_early else "dawn"
        return Next(Phase.RETIRING, f"no sub fits before {until}")
    if lasts_s > facts.side.left_s - LEEWAY_S:
        why = f"{name} comes to the end of this pier side"
        crosses = _may_cross(facts, planned)
        return Next(Phase.CROSSING, why) if crosses else Next(Phase.ACQUIRING, why)
    ends_s = [one.end_unix_s for one in facts.windows if one.end_unix_s > facts.now_s]
    if end_s > min(ends_s, default=facts.now_s):
        return Next(Phase.ACQUIRING, f"{name} leaves its window")
    return None


def _ending(facts: Facts, cut: Ending | None) -> Ending | None:
    """Why this target is left, by the plan and by what would cut a sub short; None when not."""
    name = facts.target.name
    if cut is not None and cut.phase is Phase.RETIRING:
        return cut
    chosen = facts.choice.target(_look_ahead_s(facts))
    if chosen is None:
        if cut is not None and cut.phase is Phase.CROSSING:
            return cut
        return Next(Phase.READYING, f"{name} is done, and nothing else is up")
    if facts.failed_check:
        return Next(
            Phase.ACQUIRING, f"the first sub after the meridian failed: {facts.failed_check}"
        )
    if chosen != name:
        return Next(Phase.ACQUIRING, _why_another(facts, chosen))
    return cut


def _why_another(facts: Facts, chosen: str) -> str:
    """Why the plan has another target: this one lacks nothing, or the other one is worth more."""
    target, gathered = facts.target, facts.gathered
    if lacking(target, gathered):
        return f"{chosen} goes before {target.name}"
    full = any(group.lacking(gathered.taken_s) for group in target.groups)
    has = "its hours for tonight" if full else "all that was asked for"
    return f"{target.name} has {has}; {chosen} is next"


def _look_ahead_s(facts: Facts) -> float:
    """Where to look in the plan: after a whole cycle half a step ahead, within one half back.

    So a target is left at the end of a cycle, where the plan, which sees no less than a step,
    does not mind.
    """
    uneven = unevenness(cycle_of(facts.filters), facts.gathered.taken_s)
    return STEP_S / 2 if uneven < CYCLE_ENDS else -STEP_S / 2


def _may_cross(facts: Facts, planned: Planned) -> bool:
    """Whether the target goes on east of the pier, and nothing else is due until then."""
    side = facts.side
    if not side.may_change or not lacking(facts.target, facts.gathered):
        return False
    wait_s = max(0.0, side.east_in_s) + EDGE_S + LEEWAY_S
    from_s = facts.now_s + wait_s
    until_s = from_s + side.crossing_s + planned.exposure_s
    if not any(w.start_unix_s <= from_s and until_s <= w.end_unix_s for w in facts.windows):
        return False
    if not side.stands_still:
        return True
    halfway_s = (max(0.0, side.left_s) + wait_s) / 2
    return facts.choice.target(halfway_s) in (None, facts.target.name)
