from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from nightloom.cycle import (
    Cycle,
    GapCosts,
    Next,
    Share,
    Taken,
    Weave,
    catch_up,
    cycles_done,
    next_sub,
    stays_even_without,
    unevenness,
    waiting,
    weave,
)

COSTS = GapCosts(2, 3, 14)
SHARES = st.lists(
    st.tuples(st.integers(1, 4), st.sampled_from([60.0, 120.0, 180.1])), min_size=1, max_size=5
)


def cycle_of(shares: Sequence[tuple[int, float] | tuple[int, float, int]]) -> Cycle:
    return Cycle(tuple(Share(f, *share) for f, share in zip("LRGBH", shares, strict=False)))


@dataclass
class Night:
    """Takes subs as told; verdicts come a given number of subs later, in a real night one."""

    cycle: Cycle
    verdict_after: int = 0
    accepted_s: Counter[str] = field(default_factory=Counter)
    pending: deque[tuple[str, bool]] = field(default_factory=deque)
    pointing: list[str] = field(default_factory=list)
    taken: list[Next] = field(default_factory=list)
    verdicts: list[tuple[str, bool]] = field(default_factory=list)
    highest: float = 0.0
    waited: bool = False

    def __post_init__(self) -> None:
        self.weave: Weave = weave(self.cycle.counts, COSTS, self.cycle.room)
        self.exposure_s = {share.filter: share.exposure_s for share in self.cycle.shares}

    def ask(self) -> Next:
        pending_s = Counter[str]()
        for filter_, _ in self.pending:
            pending_s[filter_] += self.exposure_s[filter_]  # type: ignore[assignment]
        recent = [
            *(Taken(filter_, good) for filter_, good in self.verdicts),
            *(Taken(filter_, None) for filter_, _ in self.pending),
        ]
        self.waited = self.waited or bool(waiting(self.cycle, recent))
        return next_sub(self.cycle, self.weave, self.accepted_s, pending_s, self.pointing, recent)

    def restart(self) -> None:
        """The daemon ends and comes back: what was in flight is lost, and the pointing is new."""
        self.pending.clear()
        self.pointing.clear()

    def take(self, good: bool) -> None:
        sub = self.ask()
        if sub.dither_before:
            self.pointing.clear()
        assert self.pointing.count(sub.filter) < self.cycle.room[sub.filter]
        self.pointing.append(sub.filter)
        self.taken.append(sub)
        self.pending.append((sub.filter, good))
        while len(self.pending) > self.verdict_after:
            self.judge()
        self.highest = max(self.highest, unevenness(self.cycle, self.accepted_s))

    def judge(self) -> None:
        filter_, good = self.pending.popleft()
        self.verdicts.append((filter_, good))
        if good:
            self.accepted_s[filter_] += self.exposure_s[filter_]  # type: ignore[assignment]


@given(SHARES)
@settings(max_examples=40)
def test_without_rejections_the_night_is_the_weave(shares: list[tuple[int, float]]) -> None:
    """Three cycles follow the weave's order and dither exactly where it does."""
    night = Night(cycle_of(shares))
    for _ in range(3 * len(night.weave.order)):
        night.take(good=True)
    follows_the_weave(night)


ROOMY = st.lists(
    st.tuples(st.integers(1, 4), st.just(5.0), st.integers(1, 12)), min_size=1, max_size=5
)


@given(ROOMY, st.integers(0, 1))
@settings(max_examples=60)
def test_where_a_pointing_has_room_for_several_the_night_is_the_weave(
    shares: list[tuple[int, float, int]], verdict_after: int
) -> None:
    """It dithers where the weave does, and after as many cycles as share a pointing."""
    night = Night(cycle_of(shares), verdict_after)
    cycles = 2 * night.weave.cycles_at_once
    for _ in range(cycles * len(night.weave.order)):
        night.take(good=True)
    assert [sub.filter for sub in night.taken] == list(night.weave.order) * cycles
    after = [
        dithers and (place < len(night.weave.order) - 1 or not n % night.weave.cycles_at_once)
        for n in range(1, cycles + 1)
        for place, dithers in enumerate(night.weave.dither_after)
    ]
    assert [sub.dither_before for sub in night.taken] == [False, *after[:-1]]


@given(ROOMY, st.lists(st.sampled_from(["good", "good", "bad", "pause", "restart"]), max_size=80))
@settings(max_examples=60)
def test_with_room_for_several_all_stays_even_and_within_the_room(
    shares: list[tuple[int, float, int]], life: list[str]
) -> None:
    """That no pointing takes more than it has room for is asserted with each sub that is taken."""
    night = Night(cycle_of(shares), verdict_after=1)
    live_through(night, life)
    assert night.waited or night.highest <= 1 + 1e-6


@given(st.lists(st.integers(1, 4), min_size=1, max_size=5))
@settings(max_examples=40)
def test_a_verdict_on_its_way_leaves_the_weave_alone_where_subs_are_of_one_length(
    shares: list[int],
) -> None:
    night = Night(cycle_of([(share, 120.0) for share in shares]), verdict_after=1)
    for _ in range(3 * len(night.weave.order)):
        night.take(good=True)
    follows_the_weave(night)


def follows_the_weave(night: Night) -> None:
    assert [sub.filter for sub in night.taken] == list(night.weave.order) * 3
    before = [False, *(list(night.weave.dither_after) * 3)[:-1]]
    assert [sub.dither_before for sub in night.taken] == before


LIFE = st.lists(st.sampled_from(["good", "good", "bad", "pause", "restart"]), max_size=80)


def live_through(night: Night, life: list[str]) -> None:
    for what in life:
        if what == "pause":
            night.pointing.clear()
        elif what == "restart":
            night.restart()
        else:
            night.take(what == "good")


# L and R by turns, R twice as long: a bad R whose verdict is on its way must not be overtaken.
A_LATE_VERDICT = ["good", "good", "good", "bad", "good", "good", "good", "bad", "good"]


@given(SHARES, LIFE, st.integers(0, 1))
@example([(1, 60.0), (1, 120.0)], A_LATE_VERDICT, 1)
@settings(max_examples=150)
def test_no_filter_is_ever_further_than_a_cycle_from_its_share(
    shares: list[tuple[int, float]], life: list[str], verdict_after: int
) -> None:
    """Whatever is rejected, paused and restarted, while no filter has to wait.

    A verdict comes while the next sub is taken, as in a night, or at once.
    """
    night = Night(cycle_of(shares), verdict_after)
    live_through(night, life)
    assert night.waited or night.highest <= 1.0 + 1e-9


@given(SHARES, st.lists(st.booleans(), max_size=60), st.integers(2, 3))
@settings(max_examples=60)
def test_later_verdicts_cost_evenness_by_what_was_rejected_only(
    shares: list[tuple[int, float]], verdicts: list[bool], verdict_after: int
) -> None:
    """Verdicts that come later leave the promise broken by no more than the subs then in flight."""
    night = Night(cycle_of(shares), verdict_after)
    for good in verdicts:
        night.take(good)
    assert night.waited or night.highest <= 1.0 + verdict_after / min(share for share, _ in shares)


@given(SHARES, LIFE, st.integers(0, 1))
@settings(max_examples=100)
def test_an_uninterrupted_hour_ends_within_one_longest_sub(
    shares: list[tuple[int, float]], life: list[str], verdict_after: int
) -> None:
    """Two cycles after whatever it was, each filter has its part of the seconds to one sub.

    At each moment from then on; costs are the usual ones, a dither being the longest.
    """
    night = Night(cycle_of(shares), verdict_after)
    live_through(night, life)
    if night.waited:
        return
    ring = len(night.weave.order)
    for taken in range(4 * ring):
        night.take(good=True)
        if taken >= 2 * ring:
            longest_s = max(exposure_s for _, exposure_s in shares)
            assert farthest_s(night) <= longest_s + 1e-6


def farthest_s(night: Night) -> float:
    """Largest distance of a filter from its part of all accepted seconds, in seconds."""
    total_s = sum(night.accepted_s.values())
    return max(
        abs(night.accepted_s[share.filter] - total_s * share.cycle_s / night.cycle.exposure_s)
        for share in night.cycle.shares
    )


@given(SHARES, st.lists(st.booleans(), max_size=40), st.integers(0, 1))
@settings(max_examples=60)
def test_missing_subs_are_made_up_within_two_cycles(
    shares: list[tuple[int, float]], verdicts: list[bool], verdict_after: int
) -> None:
    """After rejections, two cycles of good subs later the night is back in its weave.

    While no filter has to wait. Where lengths differ and a verdict is on its way, a cycle may go
    the other way round, and is told from the weave by one sub.
    """
    night = Night(cycle_of(shares), verdict_after)
    for good in verdicts:
        night.take(good)
    ring = len(night.weave.order)
    if night.waited:
        return
    for _ in range(2 * ring + verdict_after):
        night.take(good=True)
    while night.pending:
        night.judge()
    got = Counter({f: round(s / night.exposure_s[f]) for f, s in night.accepted_s.items()})
    endless = list(night.weave.order) * (got.total() // ring + 1)
    expected = Counter(endless[: got.total()])
    mirrored = verdict_after > 0 and len({exposure_s for _, exposure_s in shares}) > 1
    assert max(abs(got[f] - expected[f]) for f in night.cycle.counts) <= mirrored


def test_a_verdict_on_its_way_may_turn_out_bad() -> None:
    """Found by trying: who takes it for good goes 1⅓ cycles from the share here."""
    night = Night(cycle_of([(1, 300.0), (1, 600.0)]), verdict_after=1)
    for good in (True, False, True, False, True):
        night.take(good)
    assert night.highest <= 1.0 + 1e-9


def test_a_rejected_sub_is_taken_again_at_once_at_another_pointing() -> None:
    """A rejected filter is taken next, after a dither, because this pointing has seen it."""
    night = Night(cycle_of([(1, 60.0)] * 4))
    night.take(good=True)
    night.take(good=False)
    assert night.ask() == Next("R", True, "next in the cycle, and this pointing has no room for it")


def test_a_sub_found_bad_later_is_made_up_first() -> None:
    """A filter that fell behind goes before the weave goes on, without a dither it can spare."""
    cycle = cycle_of([(1, 60.0)] * 3)
    seen = next_sub(
        cycle, weave(cycle.counts, COSTS), dict.fromkeys("LRG", 60.0), {"L": 60.0}, ["L"]
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


def test_a_filter_that_was_added_late_does_not_run_alone() -> None:
    """A fifth filter, 40 cycles behind, gets its share twice and the others go on meanwhile."""
    night = Night(cycle_of([(3, 120.0), (1, 120.0), (1, 120.0), (1, 120.0), (2, 300.0)]), 1)
    for filter_, subs in (("L", 120), ("R", 40), ("G", 40), ("B", 40)):
        night.accepted_s[filter_] = subs * 120
    for _ in range(100):
        night.take(good=True)
    names = "".join(sub.filter for sub in night.taken)
    assert "HHH" not in names
    assert names.count("H") == pytest.approx(100 * 4 / 10, abs=1)
    assert names.count("L") == pytest.approx(100 * 3 / 10, abs=1)


def test_a_filter_whose_share_was_cut_still_gets_subs() -> None:
    """L was asked three times as often: the others go twice as often until they have caught up."""
    night = Night(cycle_of([(1, 120.0)] * 4), 1)
    night.accepted_s.update({"L": 14400, "R": 4800, "G": 4800, "B": 4800})
    before = unevenness(night.cycle, night.accepted_s)
    for _ in range(70):
        night.take(good=True)
    taken = Counter(sub.filter for sub in night.taken)
    assert taken == pytest.approx({"L": 10, "R": 20, "G": 20, "B": 20}, abs=1)
    assert unevenness(night.cycle, night.accepted_s) < before


@given(
    SHARES,
    st.lists(st.integers(0, 60), min_size=5, max_size=5),
    st.integers(1, 5),
)
@settings(max_examples=30)
def test_whatever_the_old_tally_it_becomes_even_and_nobody_runs_alone(
    shares: list[tuple[int, float]], old_cycles: list[int], make_up_cycles: int
) -> None:
    """From any old tally the night comes within a cycle, never leaving a filter out for long."""
    cycle = cycle_of(shares)
    night = Night(cycle)
    for share, cycles in zip(cycle.shares, old_cycles, strict=False):
        night.accepted_s[share.filter] = cycles * share.cycle_s  # type: ignore[assignment]
    done = {
        share.filter: cycles * share.share
        for share, cycles in zip(cycle.shares, old_cycles, strict=False)
    }
    counts = catch_up(cycle, done, make_up_cycles)
    assert all(share.share <= counts[share.filter] <= 2 * share.share for share in cycle.shares)
    ring = len(night.weave.order)
    while unevenness(cycle, night.accepted_s) > 1:
        night.take(good=True)
        assert len(night.taken) <= 62 * 2 * ring, "a cycle is caught up in each"
        if len(night.taken) > 3 * ring:
            assert {sub.filter for sub in night.taken[-3 * ring :]} == set(cycle.counts)


def test_what_is_missing_is_spread_over_the_cycles_asked_for() -> None:
    """Six subs behind in a share of four: two more in each of three cycles."""
    cycle = cycle_of([(4, 60.0), (4, 60.0)])
    assert catch_up(cycle, {"L": 10, "R": 4}, 3) == {"L": 4, "R": 6}
    assert catch_up(cycle, {"L": 10, "R": 7}, 3) == {"L": 4, "R": 4}


def test_a_filter_that_fails_again_and_again_waits_for_the_next_cycle() -> None:
    """Three rejections in a row, then one try a cycle; its first good one is followed by more."""
    night = Night(cycle_of([(1, 60.0)] * 4), 1)
    for _ in range(40):
        night.take(good=night.ask().filter != "R")
    names = "".join(sub.filter for sub in night.taken)
    assert "RRRRR" not in names
    assert names.count("R") < 40 / 3
    assert names[20:].count("R") == pytest.approx(5, abs=1)
    assert night.accepted_s["R"] == 0
    for _ in range(60):
        night.take(good=True)
    assert unevenness(night.cycle, night.accepted_s) <= 1


def test_when_all_fail_they_take_turns() -> None:
    """Under a veil no filter is asked for endlessly."""
    night = Night(cycle_of([(1, 60.0)] * 3))
    for _ in range(30):
        night.take(good=False)
    names = "".join(sub.filter for sub in night.taken)
    assert set(names[10:]) == set("LRG")
    assert not any(name * 4 in names for name in "LRG")


@given(SHARES, st.lists(st.integers(0, 4), min_size=5, max_size=5), st.data())
def test_what_is_taken_back_leaves_the_tally_even_whatever_the_verdicts(
    shares: list[tuple[int, float]], taken: list[int], data: st.DataObject
) -> None:
    """No filter is further than a cycle from its share, were all in flight accepted or none."""
    cycle = cycle_of(shares)
    one_s = {share.filter: share.exposure_s for share in cycle.shares}
    tally_s = {name: one_s[name] * (1 + n) for name, n in zip(one_s, taken, strict=False)}
    names = st.sampled_from(sorted(one_s))
    gone, flying = data.draw(names), data.draw(st.lists(names, max_size=2))
    if not stays_even_without(cycle, tally_s, flying, gone):
        return
    left_s = tally_s | {gone: tally_s[gone] - one_s[gone]}
    for number in range(len(flying) + 1):
        for name in flying[:number]:
            left_s[name] += one_s[name]
        assert unevenness(cycle, left_s) <= 1 + 1e-6
        for name in flying[:number]:
            left_s[name] -= one_s[name]


def test_one_filter_is_not_taken_back_alone() -> None:
    cycle = cycle_of([(1, 60.0)] * 3)
    even = {"L": 180.0, "R": 180.0, "G": 180.0}
    assert stays_even_without(cycle, even, [], "L")
    assert stays_even_without(cycle, even | {"L": 120.0}, [], "R")
    assert not stays_even_without(cycle, even | {"L": 120.0}, [], "L")
    assert (
        not stays_even_without(cycle, even, ["R"], "L")
        or unevenness(cycle, even | {"L": 120.0, "R": 240.0}) <= 1
    )


WORTHS = st.lists(st.one_of(st.just(0.0), st.floats(0.2, 1.0), st.floats(0.8, 1.0)), max_size=60)


def farthest_in_depth(
    shares: list[tuple[int, float]], worths: list[float], verdict_after: int
) -> tuple[float, list[Next], bool]:
    """Lives through subs of those worths, nought being a rejection: the largest unevenness of the
    tally of depth, what was taken, and whether a filter had to wait.
    """
    night, highest, waited = Night(cycle_of(shares)), 0.0, False
    exposed_s, worth_s = Counter[str](), Counter[str]()
    flying: deque[tuple[str, float]] = deque()
    for worth in worths:
        pending_s = Counter[str]()
        for name, _ in flying:
            pending_s[name] += night.exposure_s[name]  # type: ignore[assignment]
        recent = [
            *(Taken(name, good) for name, good in night.verdicts),
            *(Taken(name, None) for name, _ in flying),
        ]
        waited = waited or bool(waiting(night.cycle, recent))
        usual = worth_s.total() / exposed_s.total() if exposed_s else 1.0
        told = night.cycle, night.weave, worth_s, pending_s, night.pointing, recent
        sub = next_sub(*told, usual_worth=usual)
        if sub.dither_before:
            night.pointing.clear()
        assert sub.filter not in night.pointing
        night.pointing.append(sub.filter)
        night.taken.append(sub)
        flying.append((sub.filter, worth))
        while len(flying) > verdict_after:
            name, gained = flying.popleft()
            night.verdicts.append((name, gained > 0))
            if gained > 0:
                exposed_s[name] += night.exposure_s[name]  # type: ignore[assignment]
                worth_s[name] += gained * night.exposure_s[name]  # type: ignore[assignment]
        highest = max(highest, unevenness(night.cycle, worth_s))
    return highest, night.taken, waited


@given(SHARES, WORTHS, st.integers(0, 1))
@example([(1, 60.0), (1, 180.1)], [0.9, 0.5, 0.0, 0.5, 1.0, 0.0, 1.0, 0.5], 1)
@settings(max_examples=150)
def test_in_depth_no_filter_is_further_than_a_cycle_and_half_a_sub_from_its_share(
    shares: list[tuple[int, float]], worths: list[float], verdict_after: int
) -> None:
    """Whatever haze takes of subs, those in flight included; of one length, within a cycle."""
    highest, _, waited = farthest_in_depth(shares, worths, verdict_after)
    alike = len({exposure_s for _, exposure_s in shares}) == 1
    assert waited or highest <= 1.0 + (0.0 if alike else 0.5) + 1e-6


@given(SHARES, st.floats(0.3, 1.0))
@settings(max_examples=40)
def test_haze_over_all_filters_leaves_the_weave_alone(
    shares: list[tuple[int, float]], worth: float
) -> None:
    night = Night(cycle_of(shares))
    ring = len(night.weave.order)
    _, night.taken, _ = farthest_in_depth(shares, [worth] * (3 * ring), 0)
    follows_the_weave(night)


def test_in_depth_a_filter_behind_haze_gets_more_subs() -> None:
    """At 0.6 of the worth R must be taken five times where the others are taken three times."""
    cycle = cycle_of([(1, 120.0)] * 3)
    woven, worth_s, exposed_s = weave(cycle.counts, COSTS), Counter[str](), Counter[str]()
    for _ in range(110):
        usual = worth_s.total() / exposed_s.total() if exposed_s else 1.0
        name = next_sub(cycle, woven, worth_s, {}, [], usual_worth=usual).filter
        exposed_s[name] += 120
        worth_s[name] += 72 if name == "R" else 120
    assert exposed_s["R"] / exposed_s["L"] == pytest.approx(5 / 3, rel=0.05)
    assert unevenness(cycle, worth_s) < 1
