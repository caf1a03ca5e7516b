"""Which sub comes next, from the tally alone.

The weave repeated without end is what the night should look like. The next sub is the earliest one
of that endless weave which the tally does not hold yet: while nothing is rejected that is the
weave, and after a rejection it is the missing sub. Three things bend this rule:

* A sub must not take its filter, or leave another, further than a cycle from its share, whatever
  the verdicts on the subs in flight will be.
* A tally that is further off than a cycle already was not made in these shares: a filter was added,
  or shares were changed. What is missing is then made up beside the others (`catch_up`), not alone.
* A filter whose subs are rejected again and again waits while the others take what they take in a
  cycle, and then has one try. What it lacks stays on the tally.

A tally may count what subs are worth instead of what they last, in seconds of a clear dark sky: at
most a sub's own seconds, and less under haze or the Moon. All of the above holds for it as well.
A sub in flight that turns out to be worth a part of its seconds leaves the tally between what it is
with the whole sub and what it is without it; unevenness is a largest distance, so convex, and no
greater there than at the worse of these two ends, which are both looked at.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import compress, product
from math import ceil, inf

from nightloom.cycle.shares import Cycle, Share
from nightloom.cycle.weave import Weave

UNEVENNESS_MAX = 1.0
"""No filter is to be further from its share than this, in cycles."""

DEPTH_SLACK = 0.5
"""Where the tally counts worth, no sub may be safe: with lengths that differ, two filters with few
subs in a cycle, one half a sub behind and the other in flight. That half is the most it comes to,
in cycles; where all subs are of one length some sub is always safe. Both were found by trying."""

PATIENCE = 3
"""Rejections in a row after which a filter waits: two may be chance, a satellite and a gust."""

# Tallies are sums of floats: this part of a sub, or of a cycle, may be missing from a whole one.
_ROUNDING = 1e-6


@dataclass(frozen=True)
class Taken:
    """A sub that was taken, and whether it was accepted; None while there is no verdict, and where
    cloud was against it, which says nothing of its filter.
    """

    filter: str
    accepted: bool | None


@dataclass(frozen=True)
class Next:
    """The sub to take, and whether to dither before it."""

    filter: str
    dither_before: bool
    reason: str


def next_sub(
    cycle: Cycle,
    weave: Weave,
    accepted_s: Mapping[str, float],
    pending_s: Mapping[str, float],
    pointing: Collection[str],
    recent: Sequence[Taken] = (),
    make_up_cycles: int = 2,
    usual_worth: float | None = None,
) -> Next:
    """The sub that the tally asks for.

    `weave` is one of `cycle.counts` and `cycle.room`. `accepted_s` and `pending_s` (taken, no
    verdict yet) are seconds by filter, zero where a filter is missing. `pointing` names the filter
    of each sub taken since the last dither or slew, whatever its verdict: no more of a filter are
    taken there than it has room for. `recent` are the latest subs, newest last, at least two cycles
    of them where there are so many. `usual_worth` is given where the tally counts what subs are
    worth: of an accepted second, in the mean over all filters, above 0. What is pending counts
    there as if nothing were lost.
    """
    done = {
        share.filter: _subs_done(share, accepted_s, usual_worth) + _whole_subs(share, pending_s)
        for share in cycle.shares
    }
    asked, here = _asked(cycle, recent), Counter(pointing)
    full = {share.filter for share in cycle.shares if here[share.filter] >= share.room}
    far = UNEVENNESS_MAX + (_ROUNDING if usual_worth is None else DEPTH_SLACK)
    if unevenness(cycle, accepted_s) > far:
        filter_ = _lacking(asked, catch_up(cycle, done, make_up_cycles), recent)
        reason = "the tally is far from the shares, and is made up beside the rest"
        return Next(filter_, filter_ in full, reason)
    filter_ = min(
        asked,
        key=lambda name: (
            _excess(cycle, accepted_s, pending_s, name, usual_worth is None),
            _place(weave, name, done[name]),
        ),
    )
    place = _place(weave, filter_, done[filter_])
    ahead = any(_place(weave, name, subs - 1) > place for name, subs in done.items() if subs > 0)
    completes = not ahead and place % len(weave.order) == 0
    return Next(
        filter_,
        dither_before=filter_ in full or (completes and not _takes_a_cycle(cycle, here)),
        reason=_reason(filter_, ahead, completes and place > 0, filter_ in full),
    )


def catch_up(cycle: Cycle, done: Mapping[str, int], make_up_cycles: int) -> dict[str, int]:
    """Subs of each filter in a cycle that makes up for what is missing, from whole subs done.

    A filter more than a cycle behind the one that is furthest gets a part of what it lacks in each
    of `make_up_cycles` cycles, and never more than its share again: at most half of the time goes
    into making up, and no filter stands still.
    """
    levels = {share.filter: done[share.filter] / share.share for share in cycle.shares}
    top = max(levels.values())
    counts = {}
    for share in cycle.shares:
        lacking = (top - levels[share.filter]) * share.share
        far = top - levels[share.filter] > 1
        extra = min(share.share, ceil(lacking / make_up_cycles)) if far else 0
        counts[share.filter] = share.share + extra
    return counts


def unevenness(cycle: Cycle, accepted_s: Mapping[str, float]) -> float:
    """Largest distance of a filter from its share, in cycles.

    max over f of |accepted_f / cycle_f − Σ accepted / Σ cycle|, where cycle_f is the exposure of
    filter f in one cycle and the sums run over the filters of the cycle.
    """
    total_s = sum(accepted_s.get(share.filter, 0.0) for share in cycle.shares)
    even = total_s / cycle.exposure_s
    return max(
        abs(accepted_s.get(share.filter, 0.0) / share.cycle_s - even) for share in cycle.shares
    )


def stays_even_without(
    cycle: Cycle,
    accepted_s: Mapping[str, float],
    in_flight: Sequence[str],
    filter_: str,
    lost_s: float | None = None,
) -> bool:
    """Whether an accepted sub of a filter may be taken off the tally, whatever becomes of others.

    `in_flight` are the filters of subs without a verdict: any of them may be accepted or not.
    `lost_s` is what the tally loses, where that is not the sub's exposure.
    """
    exposure_s = {share.filter: share.exposure_s for share in cycle.shares}
    left_s = {name: accepted_s.get(name, 0.0) for name in exposure_s}
    left_s[filter_] -= exposure_s[filter_] if lost_s is None else lost_s
    for kept in product((False, True), repeat=len(in_flight)):
        tally_s = dict(left_s)
        for name in compress(in_flight, kept):
            tally_s[name] += exposure_s[name]
        if unevenness(cycle, tally_s) > UNEVENNESS_MAX + _ROUNDING:
            return False
    return True


def cycles_done(cycle: Cycle, accepted_s: Mapping[str, float]) -> int:
    """Whole cycles in the tally: those of the filter that has fewest."""
    return min(_whole_subs(share, accepted_s) // share.share for share in cycle.shares)


def waiting(cycle: Cycle, recent: Sequence[Taken]) -> set[str]:
    """Filters that wait for the others, because their subs were rejected again and again."""
    subs = sum(cycle.counts.values())
    return {
        share.filter
        for share in cycle.shares
        if _rejected_in_a_row(share.filter, recent) >= PATIENCE
        and _since(share.filter, recent) < subs - share.share
    }


def _asked(cycle: Cycle, recent: Sequence[Taken]) -> list[str]:
    """The filters that do not wait; when all do, the one whose last sub is longest ago."""
    patient = waiting(cycle, recent)
    asked = [name for name in cycle.counts if name not in patient]
    return asked or [max(cycle.counts, key=lambda name: _since(name, recent))]


def _takes_a_cycle(cycle: Cycle, here: Mapping[str, int]) -> bool:
    """Whether a pointing has room for a whole cycle more, or for as much as any other has.

    A filter that has all it wanted leaves the cycle; what it took here asks for no dither.
    """
    return all(
        share.share + here[share.filter] <= share.room
        for share in cycle.shares
        if here[share.filter]
    )


def _rejected_in_a_row(filter_: str, recent: Sequence[Taken]) -> int:
    verdicts = [
        sub.accepted for sub in recent if sub.filter == filter_ and sub.accepted is not None
    ]
    return next((i for i, good in enumerate(reversed(verdicts)) if good), len(verdicts))


def _since(filter_: str, recent: Iterable[Taken]) -> float:
    """Subs of other filters since the last one of a filter; infinite when there was none."""
    places = [place for place, sub in enumerate(reversed([*recent])) if sub.filter == filter_]
    return min(places, default=inf)


def _lacking(asked: Sequence[str], counts: Mapping[str, int], recent: Sequence[Taken]) -> str:
    """The filter that the latest subs, as many as a cycle of `counts` has, lack most.

    Once they hold that cycle, this is the filter of the sub that just left them, and the cycle
    repeats; before, it spreads each filter evenly.
    """
    subs = sum(counts.values())
    latest = [sub.filter for sub in recent if sub.accepted is not False][1 - subs :]
    due = {name: counts[name] * (len(latest) + 1) / subs - latest.count(name) for name in asked}
    return max(asked, key=lambda name: (round(due[name], 6), _since(name, recent)))


def _excess(
    cycle: Cycle,
    accepted_s: Mapping[str, float],
    pending_s: Mapping[str, float],
    filter_: str,
    alike: bool,
) -> float:
    """What one more sub of a filter may take the tally to beyond a cycle, whatever the verdict; 0
    when it stays within one. `alike` makes no difference between excesses.
    """
    outcomes = _outcomes(cycle, accepted_s, pending_s, filter_)
    worst = max(unevenness(cycle, each_s) for each_s in outcomes)
    if worst <= UNEVENNESS_MAX + _ROUNDING:
        return 0.0
    return 1.0 if alike else worst


def _outcomes(
    cycle: Cycle, accepted_s: Mapping[str, float], pending_s: Mapping[str, float], filter_: str
) -> Iterator[dict[str, float]]:
    """What the tally becomes with one more sub of a filter: all in flight good, or one bad."""
    good_s = {
        share.filter: accepted_s.get(share.filter, 0.0)
        + pending_s.get(share.filter, 0.0)
        + share.exposure_s * (share.filter == filter_)
        for share in cycle.shares
    }
    yield good_s
    for share in cycle.shares:
        if _whole_subs(share, pending_s):
            yield {**good_s, share.filter: good_s[share.filter] - share.exposure_s}


def _subs_done(share: Share, accepted_s: Mapping[str, float], usual_worth: float | None) -> int:
    """Whole subs in the tally; where it counts what they are worth, so many usual ones, rounded.

    So what takes from all filters alike leaves the weave as it is, and a filter gets a sub more
    when it lacks half of one.
    """
    if usual_worth is None:
        return _whole_subs(share, accepted_s)
    return round(accepted_s.get(share.filter, 0.0) / (share.exposure_s * usual_worth))


def _whole_subs(share: Share, seconds: Mapping[str, float]) -> int:
    return int(seconds.get(share.filter, 0.0) / share.exposure_s + _ROUNDING)


def _place(weave: Weave, filter_: str, number: int) -> int:
    """Where the endless weave holds a filter's sub of a number counted from zero."""
    places = [place for place, name in enumerate(weave.order) if name == filter_]
    cycle, within = divmod(number, len(places))
    return cycle * len(weave.order) + places[within]


def _reason(filter_: str, ahead: bool, completes: bool, full: bool) -> str:
    if completes:
        return "a cycle is complete"
    choice = f"{filter_} is behind its share" if ahead else "next in the cycle"
    return f"{choice}, and this pointing has no room for it" if full else choice
