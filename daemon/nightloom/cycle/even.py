"""Which sub comes next, from the tally alone.

The weave repeated without end is what the night should look like. The next sub is the earliest one
of that endless weave which the tally does not hold yet: while nothing is rejected that is the
weave, and after a rejection it is the missing sub.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from nightloom.cycle.shares import Cycle, Share
from nightloom.cycle.weave import Weave

# Tallies are sums of floats: this part of a sub may be missing from a whole one.
_ROUNDING_SUBS = 1e-6


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
) -> Next:
    """The sub that the tally asks for.

    `weave` is one of `cycle.counts`. `accepted_s` and `pending_s` (taken, no verdict yet) are
    seconds by filter, nought where a filter is missing. `pointing` names the filters taken since
    the last dither or slew, whatever their verdict: none of them is taken there twice.
    """
    done = {
        share.filter: _whole_subs(share, accepted_s) + _whole_subs(share, pending_s)
        for share in cycle.shares
    }
    place, filter_ = min((_place(weave, name, subs), name) for name, subs in done.items())
    ahead = any(_place(weave, name, subs - 1) > place for name, subs in done.items() if subs > 0)
    completes = not ahead and place % len(weave.order) == 0
    return Next(
        filter_,
        dither_before=filter_ in pointing or (completes and bool(pointing)),
        reason=_reason(filter_, ahead, completes and place > 0, filter_ in pointing),
    )


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


def cycles_done(cycle: Cycle, accepted_s: Mapping[str, float]) -> int:
    """Whole cycles in the tally: those of the filter that has fewest."""
    return min(_whole_subs(share, accepted_s) // share.share for share in cycle.shares)


def _whole_subs(share: Share, seconds: Mapping[str, float]) -> int:
    return int(seconds.get(share.filter, 0.0) / share.exposure_s + _ROUNDING_SUBS)


def _place(weave: Weave, filter_: str, number: int) -> int:
    """Where the endless weave holds a filter's sub of a number counted from nought."""
    places = [place for place, name in enumerate(weave.order) if name == filter_]
    cycle, within = divmod(number, len(places))
    return cycle * len(weave.order) + places[within]


def _reason(filter_: str, ahead: bool, completes: bool, seen_here: bool) -> str:
    if completes:
        return "a cycle is complete"
    choice = f"{filter_} is behind its share" if ahead else "next in the cycle"
    return f"{choice}, and this pointing has one already" if seen_here else choice
