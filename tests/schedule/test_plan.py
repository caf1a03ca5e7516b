"""The plan against every other plan of small nights, and what it does with plain cases."""

from dataclasses import replace
from itertools import groupby
from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.schedule import (
    Candidate,
    Plan,
    make_plan,
    moonlight_part,
    priority_weight,
    sky_quality,
    steps,
)
from nightloom.sky import Interval, airmass, dark_sky_nl
from schedule.brute_force import best_worth, worth

STEP_S = 300.0
MOVE_S = 240.0


def night(hours: float) -> np.ndarray:
    return steps(Interval(0.0, 3600.0 * hours), STEP_S)


def candidate(
    target: str, *windows_h: tuple[float, float], hours: float, **said: float
) -> Candidate:
    """A candidate of one quality throughout."""
    windows = tuple(Interval(3600 * begin, 3600 * end) for begin, end in windows_h)
    quality = np.full(len(night(hours)) - 1, said.pop("quality", 1.0))
    return Candidate(target, 0, windows, quality, **said)  # type: ignore[arg-type]


@st.composite
def small_nights(draw: st.DrawFn, purses: bool = True) -> tuple[list[Candidate], np.ndarray]:
    count = draw(st.integers(1, 5))
    edges = np.append(np.arange(count) * STEP_S, count * STEP_S - draw(st.sampled_from([0, 100])))
    moments = st.floats(-200, float(edges[-1]) + 200)
    caps = st.one_of(st.just(inf), st.floats(0, 1200)) if purses else st.just(inf)
    nightly = {name: draw(caps) for name in "AB"}
    candidates = [
        Candidate(
            target,
            group,
            tuple(
                Interval(*sorted(pair))
                for pair in draw(st.lists(st.tuples(moments, moments), max_size=1))
                or [(-1.0, float(edges[-1]) + 1)]
            ),
            np.array(draw(st.lists(st.floats(0.05, 1), min_size=count, max_size=count))),
            draw(st.sampled_from([1.0, 0.5, 0.25])),
            draw(st.sampled_from([1.0, 0.9])),
            draw(caps),
            nightly[target],
        )
        for group, target in enumerate(
            draw(st.lists(st.sampled_from("AB"), min_size=1, max_size=3))
        )
    ]
    return candidates, edges


@given(small_nights(), st.sampled_from([0.0, 120.0, 240.0, 400.0]), st.sampled_from(["A", None]))
def test_no_other_plan_of_a_small_night_is_worth_more(
    small: tuple[list[Candidate], np.ndarray], move_cost_s: float, start: str | None
) -> None:
    candidates, edges = small
    best = best_worth(candidates, list(edges), move_cost_s, start)
    plan = make_plan(candidates, edges, move_cost_s, start)
    assert plan.objective == pytest.approx(best, rel=1e-6, abs=2.0)  # purses count whole seconds
    assert plan.exact


@given(small_nights(purses=False), st.sampled_from([0.0, 240.0]))
def test_blocks_are_in_order_and_in_their_windows(
    small: tuple[list[Candidate], np.ndarray], move_cost_s: float
) -> None:
    candidates, edges = small
    plan = make_plan(candidates, edges, move_cost_s)
    times = [t for block in plan.blocks for t in (block.start_unix_s, block.end_unix_s)]
    assert times == sorted(times)
    for block in plan.blocks:
        (window,) = candidates[block.group].windows
        assert window.start_unix_s <= block.start_unix_s < block.end_unix_s <= window.end_unix_s
        assert 0 <= block.open_s <= block.end_unix_s - block.start_unix_s + 1e-6


@given(
    small_nights(), st.sampled_from([0.0, 240.0]), st.sampled_from(["A", None]),
    st.sampled_from([301.0, 600.0, 900.0]),
)  # fmt: skip
def test_nothing_is_begun_for_less_than_a_least_session(
    small: tuple[list[Candidate], np.ndarray],
    move_cost_s: float,
    start: str | None,
    least_s: float,
) -> None:
    """But what is running already goes on, and what then has all it wants may be short."""
    candidates, edges = small
    plan = make_plan(candidates, edges, move_cost_s, start, least_s)
    lacking_s = {
        name: min(
            sum(one.wanted_s for one in candidates if one.target == name),
            min(one.target_s for one in candidates if one.target == name),
        )
        for name in {one.target for one in candidates}
    }
    runs = [list(run) for _, run in groupby(plan.blocks, key=lambda block: block.target)]
    for number, run in enumerate(runs):
        target, lasts_s = run[0].target, run[-1].end_unix_s - run[0].start_unix_s
        lacking_s[target] -= sum(block.open_s for block in run)
        goes_on = number == 0 and target == start
        assert goes_on or lasts_s >= least_s - 1 or lacking_s[target] <= 2.0


def test_a_short_window_between_is_left_to_the_one_that_runs() -> None:
    """Half an hour of the better target in the middle, where an hour is the least."""
    long, short = candidate("long", (0, 4), hours=4), candidate("short", (1, 1.5), hours=4)
    better = replace(short, weight=4.0)
    assert who(make_plan([long, better], night(4), MOVE_S)) == [
        ("long", 0, 1), ("short", 1, 1.5), ("long", 1.5, 4),
    ]  # fmt: skip
    assert who(make_plan([long, better], night(4), MOVE_S, None, 3600.0)) == [("long", 0, 4)]
    brief = candidate("brief", (0, 0.5), hours=4)
    assert who(make_plan([brief], night(4), MOVE_S, None, 3600.0)) == []
    taken_up = make_plan([brief], night(4), MOVE_S, None, 3600.0, "brief")
    assert [block.target for block in taken_up.blocks] == ["brief"], "it was begun before"
    complete = replace(better, wanted_s=900.0)
    plan = who(make_plan([long, complete], night(4), MOVE_S, None, 3600.0))
    assert [name for name, *_ in plan] == ["long", "short", "long"]


@pytest.mark.parametrize("seed", range(5))
def test_a_long_night_is_better_than_greed_and_close_to_its_bound(seed: int) -> None:
    """Ten targets, of which six want less than they could get: within 6 % of the bound."""
    candidates, edges = ten_targets(seed)
    plan = make_plan(candidates, edges, MOVE_S)
    usable = np.array([one.usable_s(edges) > 0 for one in candidates])
    rate = np.array([one.weight * one.quality for one in candidates])
    first = np.where(usable, rate, -1.0).argmax(axis=0)
    greedy = [int(c) if usable[c, step] else None for step, c in enumerate(first)]
    assert plan.objective >= worth(greedy, candidates, list(edges), MOVE_S, None)
    assert plan.objective <= plan.bound <= 1.06 * plan.objective


def ten_targets(seed: int) -> tuple[list[Candidate], np.ndarray]:
    """Targets that rise, culminate and set through a night of ten hours."""
    rng = np.random.default_rng(seed)
    edges = night(10)
    middles = (edges[1:] + edges[:-1]) / 2
    targets = []
    for number in range(10):
        peak_s, half_s = rng.uniform(0, 36000), rng.uniform(3600, 18000)
        wanted_s = rng.uniform(1800, 14400) if number < 6 else inf
        quality = np.clip(np.cos((middles - peak_s) / half_s), 0.1, 1.0)
        window = Interval(peak_s - half_s, peak_s + half_s)
        weight = priority_weight(int(rng.integers(1, 4)))
        targets.append(Candidate(f"{number}", 0, (window,), quality, weight, 0.95, wanted_s))
    return targets, edges


def who(plan: Plan) -> list[tuple[str, float, float]]:
    """Blocks as target, begin and end in hours."""
    return [(b.target, b.start_unix_s / 3600, b.end_unix_s / 3600) for b in plan.blocks]


def test_two_short_windows_are_both_taken() -> None:
    """One target comes from behind a tree at 01:00, one sets at 02:00; a night from 20:00 to 06:00.

    The one that sets has the hours before, the late one those after; neither waits.
    """
    late = candidate("late", (5, 10), hours=10)
    early = candidate("early", (0, 6), hours=10)
    plan = make_plan([late, early], night(10), MOVE_S)
    (first, begin, change), (second, _, end) = who(plan)
    assert (first, second) == ("early", "late")
    assert (begin, end) == (0, 10)
    assert 5 <= change <= 6


def test_a_short_window_goes_before_a_long_one() -> None:
    """A better target that is up for an hour has it; the one that is up all night waits."""
    brief = candidate("brief", (3, 4), hours=8, weight=1.25)
    patient = candidate("patient", (0, 8), hours=8)
    plan = make_plan([brief, patient], night(8), MOVE_S)
    assert who(plan) == [("patient", 0, 3), ("brief", 3, 4), ("patient", 4, 8)]


def test_a_move_that_gains_less_than_it_costs_is_not_made() -> None:
    better = candidate("better", (0, 1), hours=1, quality=0.9)
    running = candidate("running", (0, 1), hours=1, quality=0.85)
    assert who(make_plan([better, running], night(1), MOVE_S, "running")) == [("running", 0, 1)]
    assert who(make_plan([better, running], night(1), MOVE_S)) == [("better", 0, 1)]


def test_what_is_complete_makes_room() -> None:
    """An hour is wanted of the first; it gets that, when it is best, and the second the rest."""
    edges = night(4)
    hours = (edges[1:] + edges[:-1]) / 7200
    quality = np.clip(1 - 0.2 * np.abs(hours - 2.5), 0, 1)
    first = Candidate("first", 0, (Interval(0, 14400),), quality, wanted_s=3600.0 - MOVE_S)
    second = candidate("second", (0, 4), hours=4, weight=0.5)
    plan = make_plan([first, second], edges, MOVE_S)
    assert who(plan) == [("second", 0, 2), ("first", 2, 3), ("second", 3, 4)]


def test_groups_of_one_target_follow_each_other_without_a_move() -> None:
    """Broadband until the Moon rises, narrowband after it: no second is lost between them."""
    edges = night(2)
    groups = [
        Candidate("one", number, (Interval(*span),), np.ones(24))
        for number, span in enumerate([(0.0, 3600.0), (3600.0, 7200.0)])
    ]
    plan = make_plan(groups, edges, MOVE_S, "one")
    assert plan.objective == pytest.approx(7200)
    assert [block.group for block in plan.blocks] == [0, 1]


def test_a_crossing_takes_its_time_out_of_what_may_be_used() -> None:
    """160 s where the sides of the pier change, as far as they lie in the window."""
    inside = Candidate("one", 0, (Interval(0, 1500),), np.ones(12), crossings=(Interval(500, 660),))
    assert list(inside.usable_s(night(1))[:5]) == [300.0, 200.0, 240.0, 300.0, 300.0]
    beyond = Candidate("one", 0, (Interval(0, 600),), np.ones(12), crossings=(Interval(560, 720),))
    assert list(beyond.usable_s(night(1))[:3]) == [300.0, 260.0, 0.0]


def test_nobody_waits_for_a_better_hour_that_may_be_clouded() -> None:
    """An hour is wanted of a target that culminates in the third: it is taken in the first."""
    quality = np.repeat([0.6, 0.8, 1.0, 0.8], 12)
    one = Candidate("one", 0, (Interval(0, 14400),), quality, wanted_s=3600.0 - MOVE_S)
    assert who(make_plan([one], night(4), MOVE_S)) == [("one", 0, 1)]


def test_nothing_to_do_is_an_empty_plan() -> None:
    assert make_plan([], night(1), MOVE_S) == Plan((), 0.0, 0.0)
    assert make_plan([candidate("set", hours=1)], night(1), MOVE_S).blocks == ()
    assert make_plan([candidate("one", (0, 1), hours=1)], np.array([0.0]), MOVE_S).blocks == ()


def test_the_block_of_a_moment() -> None:
    plan = make_plan([candidate("one", (0.5, 1), hours=1)], night(1), 0.0)
    assert plan.at(1700.0) is None
    block = plan.at(1800.0)
    assert block is not None
    assert block.target == "one"


def test_a_second_of_one_priority_is_worth_two_of_the_next() -> None:
    assert priority_weight(1) == 1.0
    assert priority_weight(3) == 0.25


def test_quality_falls_with_air_and_with_moonlight() -> None:
    """At the dark zenith 1; at airmass 2 the light is down by 0.172 mag (Krisciunas & Schaefer)."""
    altitude = np.array([90.0, 60.0, 30.0])
    air, dark = airmass(altitude), dark_sky_nl(90 - altitude)
    quality = sky_quality(air, dark)
    assert quality[0] == pytest.approx(1.0, abs=1e-3)
    assert quality[2] == pytest.approx(10 ** (-0.8 * 0.172) * dark[0] / dark[2], rel=0.01)
    assert np.all(np.diff(quality) < 0)
    assert np.all(sky_quality(air, 5 * dark) < 0.25 * quality + 1e-9)
    assert sky_quality(np.nan, 100.0) == 0.0


def test_narrow_filters_take_less_moonlight() -> None:
    assert [moonlight_part(nm) for nm in (None, 300.0, 100.0, 6.0)] == [1.0, 1.0, 1.0, 0.06]
