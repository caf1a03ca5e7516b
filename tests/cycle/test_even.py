from collections import Counter, deque
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.cycle import (
    Cycle,
    GapCosts,
    Next,
    Share,
    Weave,
    cycles_done,
    next_sub,
    unevenness,
    weave,
)

COSTS = GapCosts(2, 3, 14)
SHARES = st.lists(
    st.tuples(st.integers(1, 4), st.sampled_from([60.0, 120.0, 180.1])), min_size=1, max_size=5
)


def cycle_of(shares: list[tuple[int, float]]) -> Cycle:
    return Cycle(tuple(Share(f, *share) for f, share in zip("LRGBH", shares, strict=False)))


@dataclass
class Night:
    """Takes subs as told; verdicts come a given number of subs later."""

    cycle: Cycle
    verdict_after: int = 0
    accepted_s: Counter[str] = field(default_factory=Counter)
    pending: deque[tuple[str, bool]] = field(default_factory=deque)
    pointing: list[str] = field(default_factory=list)
    taken: list[Next] = field(default_factory=list)
    highest: float = 0.0

    def __post_init__(self) -> None:
        self.weave: Weave = weave(self.cycle.counts, COSTS)
        self.exposure_s = {share.filter: share.exposure_s for share in self.cycle.shares}

    def ask(self) -> Next:
        pending_s = Counter[str]()
        for filter_, _ in self.pending:
            pending_s[filter_] += self.exposure_s[filter_]  # type: ignore[assignment]
        return next_sub(self.cycle, self.weave, self.accepted_s, pending_s, self.pointing)

    def take(self, good: bool) -> None:
        sub = self.ask()
        if sub.dither_before:
            self.pointing.clear()
        assert sub.filter not in self.pointing
        self.pointing.append(sub.filter)
        self.taken.append(sub)
        self.pending.append((sub.filter, good))
        while len(self.pending) > self.verdict_after:
            self.judge()
        self.highest = max(self.highest, unevenness(self.cycle, self.accepted_s))

    def judge(self) -> None:
        filter_, good = self.pending.popleft()
        if good:
            self.accepted_s[filter_] += self.exposure_s[filter_]  # type: ignore[assignment]


@given(SHARES, st.integers(0, 3))
@settings(max_examples=40, deadline=None)
def test_without_rejections_the_night_is_the_weave(
    shares: list[tuple[int, float]], verdict_after: int
) -> None:
    """Three cycles follow the weave's order and dither exactly where it does."""
    night = Night(cycle_of(shares), verdict_after)
    for _ in range(3 * len(night.weave.order)):
        night.take(good=True)
    assert [sub.filter for sub in night.taken] == list(night.weave.order) * 3
    before = [False, *(list(night.weave.dither_after) * 3)[:-1]]
    assert [sub.dither_before for sub in night.taken] == before


@given(SHARES, st.lists(st.booleans(), max_size=60))
@settings(max_examples=60, deadline=None)
def test_rejections_seen_at_once_never_cost_evenness(
    shares: list[tuple[int, float]], verdicts: list[bool]
) -> None:
    """Whatever is rejected, no filter is ever further than one cycle from its share."""
    night = Night(cycle_of(shares))
    for good in verdicts:
        night.take(good)
    assert night.highest <= 1.0


@given(SHARES, st.lists(st.booleans(), max_size=60), st.integers(1, 3))
@settings(max_examples=60, deadline=None)
def test_late_verdicts_cost_evenness_by_what_was_rejected_only(
    shares: list[tuple[int, float]], verdicts: list[bool], verdict_after: int
) -> None:
    """Verdicts that come late leave the promise broken by no more than the subs then in flight."""
    night = Night(cycle_of(shares), verdict_after)
    for good in verdicts:
        night.take(good)
    assert night.highest <= 1.0 + verdict_after / min(share for share, _ in shares)


@given(SHARES, st.lists(st.booleans(), max_size=40), st.integers(0, 3))
@settings(max_examples=60, deadline=None)
def test_missing_subs_are_made_up_within_two_cycles(
    shares: list[tuple[int, float]], verdicts: list[bool], verdict_after: int
) -> None:
    """After any rejections, two cycles of good subs later the night is back in its weave."""
    night = Night(cycle_of(shares), verdict_after)
    for good in verdicts:
        night.take(good)
    ring = len(night.weave.order)
    for _ in range(2 * ring + verdict_after):
        night.take(good=True)
    while night.pending:
        night.judge()
    subs = sum(round(s / night.exposure_s[f]) for f, s in night.accepted_s.items())
    endless = list(night.weave.order) * (subs // ring + 1)
    expected = Counter(endless[:subs])
    assert {f: round(s / night.exposure_s[f]) for f, s in night.accepted_s.items()} == expected


def test_a_rejected_sub_is_taken_again_at_once_at_another_pointing() -> None:
    """A rejected filter is taken next, after a dither, because this pointing has seen it."""
    night = Night(cycle_of([(1, 60.0)] * 4))
    night.take(good=True)
    night.take(good=False)
    assert night.ask() == Next("R", True, "next in the cycle, and this pointing has one already")


def test_a_sub_found_bad_later_is_made_up_first() -> None:
    """A filter that fell behind goes before the weave goes on, without a dither it can spare."""
    cycle = cycle_of([(1, 60.0)] * 3)
    seen = next_sub(
        cycle, weave(cycle.counts, COSTS), {"L": 120.0, "R": 60.0}, {"G": 60.0}, ["G", "L"]
    )
    assert (seen.filter, seen.dither_before) == ("R", False)
    behind = next_sub(
        cycle, weave(cycle.counts, COSTS), {"L": 60.0, "G": 60.0}, {"L": 60.0}, ["G", "L"]
    )
    assert behind == Next("R", False, "R is behind its share")


def test_a_new_pointing_needs_no_dither() -> None:
    """After a slew, nothing was taken at this pointing and the cycle begins without a dither."""
    cycle = cycle_of([(1, 60.0)] * 3)
    complete = dict.fromkeys("LRG", 60.0)
    woven = weave(cycle.counts, COSTS)
    assert not next_sub(cycle, woven, complete, {}, []).dither_before
    assert next_sub(cycle, woven, complete, {}, ["G"]) == Next("L", True, "a cycle is complete")


def test_unevenness_in_cycles() -> None:
    """One L of a 1:1 cycle is half a cycle ahead; complete cycles are even."""
    cycle = cycle_of([(1, 60.0), (1, 180.0)])
    assert unevenness(cycle, {}) == 0
    assert unevenness(cycle, {"L": 60.0}) == pytest.approx(0.75)  # 1 cycle of L; a quarter in all
    assert unevenness(cycle, {"L": 600.0, "R": 1800.0}) == 0


def test_cycles_done() -> None:
    """A cycle counts when every filter has its share of it."""
    cycle = cycle_of([(2, 60.0), (1, 60.0)])
    assert cycles_done(cycle, {"L": 240.0}) == 0
    assert cycles_done(cycle, {"L": 240.0, "R": 60.0}) == 1
    assert cycles_done(cycle, {"L": 3 * 120.1, "R": 179.9999999}) == 3


@pytest.mark.parametrize("shares", [(), (Share("L", 1, 60), Share("L", 2, 60))])
def test_a_cycle_names_each_filter_once(shares: tuple[Share, ...]) -> None:
    """An empty cycle and a repeated filter are refused."""
    with pytest.raises(ValueError, match="each once"):
        Cycle(shares)
    with pytest.raises(ValueError, match="at least 1"):
        Share("L", 0, 60)
