"""What is next on a target, and where its end leads, from facts in numbers: no device, no clock.

Subs of 300 s in R and G, a gap of 3 s, 4 s with a change of the filter, 15 s with a dither. The
numbers follow from these; there is no source beside them.
"""

from dataclasses import replace
from math import inf

import pytest

from nightloom.cycle import GapCosts, Taken, weave
from nightloom.night.next_sub import (
    LEEWAY_S,
    Ending,
    Facts,
    Planned,
    SideFacts,
    cut_short,
    decide,
)
from nightloom.night.phases import Phase
from nightloom.schedule import Block, Choice, Plan
from nightloom.schedule.gathered import Gathered
from nightloom.schedule.meridian_limits import EDGE_S
from nightloom.schedule.windows import STEP_S
from nightloom.settings import cycle_of
from nightloom.sky import Interval
from schedule.outlooks import ANDROMEDA, target

NOW_S = 100_000.0
M31 = target("M31", ANDROMEDA, filter={name: {"exposure_s": 300.0} for name in "RG"})
COSTS = GapCosts(3.0, 4.0, 15.0)
EVEN = Gathered({"R": 600.0, "G": 600.0})
UNEVEN = Gathered({"R": 600.0, "G": 300.0})


def plan(*blocks: tuple[str, float, float]) -> Plan:
    """Targets, each from and to so many seconds from now."""
    return Plan(
        tuple(Block(name, 0, NOW_S + a, NOW_S + b, b - a) for name, a, b in blocks), 1.0, 1.0
    )


def choice(*blocks: tuple[str, float, float], finish_first: bool = False) -> Choice:
    return Choice(plan(*blocks), NOW_S, "M31", finish_first)


FACTS = Facts(
    now_s=NOW_S,
    target=M31,
    gathered=UNEVEN,
    filters=M31.filters,
    cycle=2,
    weave=weave(cycle_of(M31.filters).counts, COSTS),
    costs=COSTS,
    choice=choice(("M31", -3600.0, 7200.0)),
    windows=(Interval(NOW_S - 3600.0, NOW_S + 7200.0),),
    dark_end_s=NOW_S + 9000.0,
)
"""Far from every end, with a sub in G due."""


def ending(facts: Facts) -> Ending:
    due = decide(facts)
    assert not isinstance(due, Planned), due
    return due


def test_the_filter_that_is_behind_is_due() -> None:
    due = decide(FACTS)
    assert isinstance(due, Planned)
    assert (due.filter, due.exposure_s, due.dither, due.cycle) == ("G", 300.0, False, 2)


def test_no_filter_comes_twice_at_a_pointing() -> None:
    due = decide(replace(FACTS, taken_here="G"))
    assert isinstance(due, Planned)
    assert (due.filter, due.dither) == ("G", True)


def test_seconds_without_a_verdict_count_as_taken() -> None:
    """With one sub of G in flight, R and G are even, and a new cycle begins."""
    pending = replace(UNEVEN, pending_s={"G": 300.0})
    facts = replace(FACTS, gathered=pending, taken_here="RG")
    due = decide(replace(facts, recent=(Taken("R", True), Taken("G", None))))
    assert isinstance(due, Planned)
    assert due.dither
    assert due.reason == "a cycle is complete"


def facts_with(what: str, spare_s: float) -> Facts:
    """A sub of G, which begins in 3 s and takes 300 s, ends so long before one of its limits."""
    end_s = 303.0 + spare_s
    if what == "dawn":
        return replace(FACTS, dark_end_s=NOW_S + end_s)
    if what == "window":
        return replace(FACTS, windows=(Interval(NOW_S - 3600.0, NOW_S + end_s),))
    return replace(FACTS, side=SideFacts(left_s=end_s + LEEWAY_S))


@pytest.mark.parametrize(
    ("what", "phase", "reason"),
    [
        ("dawn", Phase.RETIRING, "no sub fits before dawn"),
        ("window", Phase.ACQUIRING, "M31 leaves its window"),
        ("side", Phase.ACQUIRING, "M31 comes to the end of this pier side"),
    ],
)
def test_a_sub_is_begun_when_it_ends_before_every_limit(
    what: str, phase: Phase, reason: str
) -> None:
    assert isinstance(decide(facts_with(what, 1.0)), Planned)
    assert ending(facts_with(what, -1.0)) == (phase, reason)


@pytest.mark.parametrize("what", ["dawn", "window", "side"])
def test_what_comes_before_the_sub_counts(what: str) -> None:
    """A look at the focus; a frame of another filter that still comes down; a dither."""
    assert isinstance(decide(replace(facts_with(what, 61.0), before_s=60.0)), Planned)
    ending(replace(facts_with(what, 59.0), before_s=60.0))
    assert isinstance(decide(replace(facts_with(what, 1.5), downloading="R")), Planned)
    ending(replace(facts_with(what, 0.5), downloading="R"))
    assert isinstance(decide(replace(facts_with(what, 13.0), taken_here="G")), Planned)
    ending(replace(facts_with(what, 11.0), taken_here="G"))


def test_a_window_that_has_ended_holds_no_sub() -> None:
    gone = replace(FACTS, windows=(Interval(NOW_S - 3600.0, NOW_S - 1.0),))
    assert ending(gone).reason == "M31 leaves its window"


def test_dawn_goes_before_everything() -> None:
    facts = replace(facts_with("dawn", -1.0), choice=choice(), failed_check="stars are long")
    assert ending(facts).phase is Phase.RETIRING


def test_another_target_that_the_plan_has_now_is_due() -> None:
    facts = replace(FACTS, choice=choice(("M81", -3600.0, 7200.0)))
    assert ending(facts) == (Phase.ACQUIRING, "M81 goes before M31")


@pytest.mark.parametrize(
    ("asked", "has"),
    [
        ({"filter": {n: {"exposure_s": 300.0, "wanted_hours": 0.1} for n in "RG"}},
         "all that was asked for"),
        ({"maximum_hours": 0.1}, "its hours for tonight"),
    ],
)  # fmt: skip
def test_a_target_that_lacks_nothing_is_left_for_that(asked: dict[str, object], has: str) -> None:
    every = {"filter": {name: {"exposure_s": 300.0} for name in "RG"}} | asked
    facts = replace(
        FACTS,
        target=target("M31", ANDROMEDA, **every),
        gathered=Gathered({"R": 600.0, "G": 600.0}, {}, {"R": 600.0, "G": 600.0}),
        choice=choice(("M81", -3600.0, 7200.0)),
    )
    assert ending(facts).reason == f"M31 has {has}; M81 is next"


def test_hours_that_were_asked_for_are_no_dawn() -> None:
    facts = replace(facts_with("dawn", -1.0), cut_early=True)
    assert ending(facts).reason == "no sub fits before the hours asked for are over"


def test_what_the_plan_cannot_see_is_finished_first() -> None:
    facts = replace(FACTS, choice=choice(("M81", -3600.0, 7200.0), finish_first=True))
    assert isinstance(decide(facts), Planned)


@pytest.mark.parametrize("off_s", [-STEP_S / 2 + 1, STEP_S / 2 - 1])
def test_a_target_is_left_at_the_end_of_a_cycle(off_s: float) -> None:
    """Up to half a step of the plan early after a whole cycle, up to half a step late within."""
    facts = replace(FACTS, choice=choice(("M31", -3600.0, off_s), ("M81", off_s, 7200.0)))
    assert isinstance(decide(facts), Planned)
    assert ending(replace(facts, gathered=EVEN)).reason == "M81 goes before M31"


@pytest.mark.parametrize("off_s", [-STEP_S / 2 - 1, STEP_S / 2 + 1])
def test_beyond_half_a_step_the_cycle_does_not_matter(off_s: float) -> None:
    facts = replace(FACTS, choice=choice(("M31", -3600.0, off_s), ("M81", off_s, 7200.0)))
    stays = [isinstance(decide(replace(facts, gathered=one)), Planned) for one in (EVEN, UNEVEN)]
    assert stays == [off_s > 0, off_s > 0]


def test_with_nothing_planned_the_rig_waits() -> None:
    assert ending(replace(FACTS, choice=choice())) == (
        Phase.READYING,
        "M31 is done, and nothing else is up",
    )


@pytest.mark.parametrize(("failed", "stays"), [("", True), (None, True), ("stars are long", False)])
def test_a_failed_first_sub_has_the_target_centred_anew(failed: str | None, stays: bool) -> None:
    facts = replace(FACTS, failed_check=failed)
    if stays:
        assert isinstance(decide(facts), Planned)
    else:
        why = "the first sub after the meridian failed: stars are long"
        assert ending(facts) == (Phase.ACQUIRING, why)


AT_THE_LIMIT = SideFacts(left_s=200.0, may_change=True, east_in_s=200.0, crossing_s=120.0)
"""A sub of 300 s does not fit any more; the east takes over where the west ends."""

READY_IN_S = 200.0 + EDGE_S + LEEWAY_S
"""The crossing begins then; the shortest sub after it ends 420 s later."""


def test_a_target_that_goes_on_in_the_east_crosses() -> None:
    facts = replace(FACTS, side=AT_THE_LIMIT)
    assert ending(facts) == (Phase.CROSSING, "M31 comes to the end of this pier side")


def test_the_east_of_the_pier_is_crossed_from_never() -> None:
    facts = replace(FACTS, side=replace(AT_THE_LIMIT, may_change=False))
    assert ending(facts).phase is Phase.ACQUIRING


@pytest.mark.parametrize(("spare_s", "phase"), [(1.0, Phase.CROSSING), (-1.0, Phase.ACQUIRING)])
def test_a_crossing_leaves_time_for_a_sub(spare_s: float, phase: Phase) -> None:
    leaves_s = NOW_S + READY_IN_S + 420.0 + spare_s
    windows = (Interval(NOW_S - 3600.0, leaves_s),)
    assert ending(replace(FACTS, side=AT_THE_LIMIT, windows=windows)).phase is phase


def test_a_target_that_has_all_it_wants_does_not_cross() -> None:
    """Even where the plan has nothing else; but one that lacks a little crosses, and is waited for.

    The last sub is in flight, and counts.
    """
    said = {name: {"exposure_s": 300.0, "wanted_hours": 0.5} for name in "RG"}
    wants = target("M31", ANDROMEDA, filter=said)
    facts = replace(FACTS, target=wants, side=AT_THE_LIMIT, choice=choice())
    lacks = Gathered({"R": 1800.0, "G": 1500.0})
    assert ending(replace(facts, gathered=lacks)).phase is Phase.CROSSING
    full = replace(lacks, pending_s={"G": 300.0})
    assert ending(replace(facts, gathered=full)).phase is Phase.READYING


@pytest.mark.parametrize(
    ("name", "stands_still", "phase"),
    [
        ("M31", True, Phase.CROSSING),
        ("M81", True, Phase.ACQUIRING),
        ("M81", False, Phase.CROSSING),
    ],
)
def test_while_the_mount_would_stand_still_another_target_is_taken(
    name: str, stands_still: bool, phase: Phase
) -> None:
    """Halfway through a wait of an hour the plan has that target."""
    side = replace(AT_THE_LIMIT, east_in_s=3600.0, stands_still=stands_still)
    planned = choice(("M31", -3600.0, 600.0), (name, 600.0, 7200.0))
    assert ending(replace(FACTS, side=side, choice=planned)).phase is phase


def test_a_sub_that_was_made_ready_late_is_cut_short() -> None:
    """Only the clock and the mount have gone on: 31 s later a sub of 300 s ends 1 s too late."""
    side = SideFacts(left_s=330.0 + LEEWAY_S)
    facts = replace(FACTS, side=side)
    due = decide(facts)
    assert isinstance(due, Planned)
    for passed_s, cut in ((29.0, False), (31.0, True)):
        later = facts.later(NOW_S + passed_s, replace(side, left_s=side.left_s - passed_s))
        assert (cut_short(later, due) is not None) == cut
        assert later.choice.now_unix_s == NOW_S + passed_s


def test_a_mount_without_sides_is_never_at_their_end() -> None:
    assert SideFacts().left_s == inf
    assert cut_short(FACTS, Planned("G", 7000.0, dither=False)) is None
