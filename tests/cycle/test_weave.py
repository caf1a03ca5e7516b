from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from itertools import combinations, pairwise, permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.cycle import GapCosts, Weave, lower_bound_s, order_cost_s, plain_orders, weave

PairTimes = dict[tuple[str, str], float]
Ring = tuple[tuple[str, ...], tuple[bool, ...]]

# A dither longest, a change longest, the download longest, a change equal to a dither, all free.
COSTS = [
    GapCosts(2, 3, 14),
    GapCosts(2, 20, 14),
    GapCosts(25, 3, 14),
    GapCosts(4, 9, 9),
    GapCosts(10, 12, 5),
    GapCosts(0, 0, 0),
]


def multisets(subs: int, filters: int) -> Iterator[tuple[int, ...]]:
    """Counts, largest first, of at most so many filters."""
    for counts in product(range(subs + 1), repeat=filters):
        if sum(counts) == subs and list(counts) == sorted(counts, reverse=True):
            yield tuple(count for count in counts if count)


def named(counts: Sequence[int]) -> dict[str, int]:
    return dict(zip("LRGBHOS", counts, strict=False))


def keeps_apart(order: Sequence[str], dither_after: Sequence[bool]) -> bool:
    """Whether every walk round the ring from a sub to the next of its filter meets a dither."""
    ring = len(order)
    for begin, filter_ in enumerate(order):
        at = begin
        dithered = dither_after[at]
        while order[(at + 1) % ring] != filter_:
            at = (at + 1) % ring
            dithered = dithered or dither_after[at]
        if not dithered:
            return False
    return True


def distances(order: Sequence[str], counts: dict[str, int]) -> tuple[float, float]:
    """Largest distance of a filter from its share after any sub, and the sum of squares."""
    every = [
        abs(order[:taken].count(f) * len(order) - taken * count)
        for taken in range(1, len(order) + 1)
        for f, count in counts.items()
    ]
    return max(every) / len(order), sum(distance**2 for distance in every)


def by_formula(counts: Sequence[int], costs: GapCosts) -> float:
    """Least cost over what can be counted: m of the gaps dither, k of them change the filter.

    An undithered gap changes the filter, so N − m gaps change only, m + k − N do both and N − k
    dither only; m is at least the largest count, and k at least the number of filters when there
    are several, as then each has to be left.
    """
    subs, filters = sum(counts), len(counts)
    change, both, dither = (
        costs.gap_s(*gap) for gap in (("L", "R", False), ("L", "R", True), ("L", "L", True))
    )
    return min(
        (subs - m) * change + (m + k - subs) * both + (subs - k) * dither
        for m in range(max(counts), subs + 1)
        for k in (range(filters, subs + 1) if filters > 1 else (0,))
        if m + k >= subs
    )


def by_brute_force(counts: dict[str, int], costs: GapCosts) -> tuple[float, float, float]:
    """Least cost, and the best evenness at that cost, over all orders and all dither sets."""
    subs = [f for f, count in counts.items() for _ in range(count)]
    alike = not isinstance(costs.change_s, Mapping)
    tried = [
        (order_cost_s(order, dithers, costs), *distances(order, counts))
        for order, dithers in all_rings(tuple(subs), alike)
    ]
    # Rounded, because sums of floats differ in the last digit.
    return min((round(cost_s, 6), farthest, squares) for cost_s, farthest, squares in tried)


@cache
def all_rings(subs: tuple[str, ...], alike: bool) -> list[Ring]:
    """All orders of some subs with all sets of dithers that keep each filter's subs apart.

    Where filters are `alike` in all but their number, orders that differ by names are one: those
    of one number come in first in the order given.
    """
    return [
        (order, dithers)
        for order in sorted(set(permutations(subs)))
        if not alike or in_turn(order, subs)
        for dithers in product([False, True], repeat=len(subs))
        if dithers[-1] and keeps_apart(order, dithers)
    ]


def in_turn(order: Sequence[str], subs: Sequence[str]) -> bool:
    """Whether filters of one number come in first in the order in which `subs` names them."""
    return all(
        order.index(one) < order.index(other)
        for one, other in combinations(dict.fromkeys(subs), 2)
        if subs.count(one) == subs.count(other)
    )


@pytest.mark.parametrize("counts", [c for n in range(1, 8) for c in multisets(n, 7)], ids=str)
def test_best_of_all_orders_and_dither_sets(counts: tuple[int, ...]) -> None:
    """Up to seven subs, trying everything finds nothing cheaper, and nothing more even as cheap."""
    for costs in COSTS if sum(counts) < 7 else COSTS[:2]:
        woven = weave(named(counts), costs)
        seen = (woven.cost_s, *distances(woven.order, named(counts)))
        assert seen == pytest.approx(by_brute_force(named(counts), costs))
        assert keeps_apart(woven.order, woven.dither_after)


def keeps_room(woven: Weave, room: Mapping[str, int]) -> bool:
    """Whether no pointing takes more subs of a filter than it has room for, going round for long.

    Counted sub by sub: the cycle's last dither comes after every `cycles_at_once` cycles only.
    """
    here: Counter[str] = Counter()
    for cycle in range(1, 3 * woven.cycles_at_once + 1):
        for place, name in enumerate(woven.order):
            here[name] += 1
            if here[name] > room.get(name, 1):
                return False
            ends = place == len(woven.order) - 1
            if woven.dither_after[place] and (not ends or cycle % woven.cycles_at_once == 0):
                here.clear()
    return True


@pytest.mark.parametrize("counts", [c for n in range(1, 6) for c in multisets(n, 3)], ids=str)
@pytest.mark.parametrize("costs", [COSTS[0], COSTS[1], COSTS[4]], ids=str)
def test_no_order_with_room_for_several_costs_less(
    counts: tuple[int, ...], costs: GapCosts
) -> None:
    """Every order of a cycle with every set of dithers is tried, the last one always there."""
    for rooms in ((2, 2, 2, 2), (3, 1, 2, 1), (2, 3, 3, 3)):
        room = named(rooms)
        woven = weave(named(counts), costs, room)
        assert keeps_room(woven, room)
        if woven.cycles_at_once > 1:
            assert list(woven.dither_after) == [False] * (sum(counts) - 1) + [True]
            continue
        subs = [f for f, count in named(counts).items() for _ in range(count)]
        tried = (
            Weave(order, (*dithers, True), 0.0, 0.0, exact=False)
            for order in set(permutations(subs))
            for dithers in product([False, True], repeat=len(subs) - 1)
        )
        least_s = min(
            order_cost_s(one.order, one.dither_after, costs)
            for one in tried
            if keeps_room(one, room)
        )
        assert woven.cost_s == pytest.approx(least_s)


@given(
    st.lists(st.tuples(st.integers(1, 6), st.integers(1, 12)), min_size=1, max_size=4),
    st.builds(GapCosts, *[st.floats(0, 60).map(lambda s: round(s, 1))] * 3),
)
@settings(max_examples=30)
def test_a_weave_with_room_is_valid_and_never_below_its_bound(
    asked: list[tuple[int, int]], costs: GapCosts
) -> None:
    counts, room = named([count for count, _ in asked]), named([room for _, room in asked])
    woven = weave(counts, costs, room)
    assert {f: woven.order.count(f) for f in counts} == counts
    assert keeps_room(woven, room)
    assert woven.cost_s >= woven.lower_bound_s - 1e-9
    assert woven.cost_s == pytest.approx(woven.lower_bound_s)
    assert woven.cost_s <= weave(counts, costs).cost_s + 1e-9


def test_twelve_short_subs_of_two_filters_dither_once() -> None:
    """Room for a minute of 5 s subs: twelve cycles lose 83 s in gaps where they lost 204."""
    counts, costs = {"L": 1, "R": 1}, GapCosts(1, 3, 14)
    woven = weave(counts, costs, {"L": 12, "R": 12})
    assert (woven.cycles_at_once, woven.dithers) == (12, 1 / 12)
    assert 12 * woven.cost_s == pytest.approx(23 * 3 + 14)
    assert 12 * weave(counts, costs).cost_s == 12 * (3 + 14)


def each_pair(
    counts: Mapping[str, int], random: np.random.Generator, times_s: Sequence[float]
) -> PairTimes:
    return {pair: float(random.choice(times_s)) for pair in permutations(counts, 2)}


@pytest.mark.parametrize("counts", [c for n in range(2, 7) for c in multisets(n, 6)], ids=str)
def test_best_with_a_time_for_each_pair(counts: tuple[int, ...]) -> None:
    """Up to six subs, also when each change takes a time of its own, more or less than a dither."""
    random = np.random.default_rng(counts)
    for times_s in ([1.0, 2.0, 5.5], [1.0, 8.0, 9.0, 20.0], [15.0, 16.0]):
        costs = GapCosts(
            2, each_pair(named(counts), random, times_s), float(random.choice([4, 9, 14]))
        )
        woven = weave(named(counts), costs)
        seen = (woven.cost_s, *distances(woven.order, named(counts)))
        assert seen == pytest.approx(by_brute_force(named(counts), costs))
        assert keeps_apart(woven.order, woven.dither_after)
        assert woven.exact
        assert woven.lower_bound_s <= woven.cost_s + 1e-9


def check(woven: Weave, counts: dict[str, int], costs: GapCosts) -> None:
    assert {f: woven.order.count(f) for f in counts} == counts
    assert keeps_apart(woven.order, woven.dither_after)
    assert woven.dither_after[-1]
    assert woven.cost_s == pytest.approx(order_cost_s(woven.order, woven.dither_after, costs))
    assert woven.cost_s >= woven.lower_bound_s - 1e-9
    if isinstance(costs.change_s, float | int):
        assert woven.cost_s == pytest.approx(woven.lower_bound_s)


@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=5),
    st.builds(GapCosts, *[st.floats(0, 60).map(lambda s: round(s, 1))] * 3),
)
@settings(max_examples=60)
def test_the_bound_is_what_counting_the_gaps_gives(counts: list[int], costs: GapCosts) -> None:
    """With one time for all changes, the bound from each gap by itself is the formula's."""
    assert lower_bound_s(named(counts), costs) == pytest.approx(by_formula(counts, costs))


@pytest.mark.parametrize("subs", range(2, 9))
def test_fewest_neighbours_of_one_filter(subs: int) -> None:
    """Of N subs in a row, m of one filter, the fewest neighbours alike are max(0, 2m − N − 1).

    Counted here over all orders; evenness, when it alone decides, comes down to as few.
    """
    for count in range(1, subs):
        fewest = min(
            sum(a == b == "L" for a, b in pairwise(order))
            for order in set(permutations("L" * count + "o" * (subs - count)))
        )
        assert fewest == max(0, 2 * count - subs - 1)
        others = dict.fromkeys("ABCDEFG"[: subs - count], 1)
        order = weave({"L": count, **others}, GapCosts(1, 0, 0)).order
        assert sum(a == b for a, b in pairwise(order)) == fewest


@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=5),
    st.builds(GapCosts, *[st.floats(0, 60).map(lambda s: round(s, 1))] * 3),
)
@settings(max_examples=25)
def test_every_weave_is_valid_and_reaches_the_bound(counts: list[int], costs: GapCosts) -> None:
    """Whatever is asked, the counts are right, the dither rule holds and the cost is the least."""
    check(weave(named(counts), costs), named(counts), costs)


@pytest.mark.parametrize("costs", COSTS[:3], ids=str)
def test_every_cycle_up_to_twelve_subs_is_exact(costs: GapCosts) -> None:
    """Any cycle of up to 12 subs over 4 filters is exact."""
    for subs in range(1, 13):
        for counts in multisets(subs, 4):
            woven = weave(named(counts), costs)
            assert woven.exact
            check(woven, named(counts), costs)


@pytest.mark.parametrize("times_s", [[0.0, 1.0, 2.0], [3.0, 9.0, 30.0]], ids=str)
def test_a_time_for_each_pair_is_exact_up_to_twelve_subs(times_s: list[float]) -> None:
    """Any cycle of up to 12 subs over 4 filters is exact with pair costs too."""
    random = np.random.default_rng(5)
    for counts in [c for subs in range(2, 13) for c in multisets(subs, 4)]:
        costs = GapCosts(1, each_pair(named(counts), random, times_s), 11)
        woven = weave(named(counts), costs)
        assert woven.exact
        check(woven, named(counts), costs)


@pytest.mark.parametrize("counts", [(2,) * 6, (2, 2, 2, 2, 2, 1, 1), (1,) * 12], ids=str)
def test_twelve_subs_of_many_filters_are_exact(counts: tuple[int, ...]) -> None:
    """The cycles of 12 subs with most states are exact with a time for each pair."""
    asked = dict(zip("ABCDEFGHIJKL", counts, strict=False))
    costs = GapCosts(1, each_pair(asked, np.random.default_rng(5), [2.0, 3.0, 4.0]), 11)
    woven = weave(asked, costs)
    assert woven.exact
    check(woven, asked, costs)


def test_a_cycle_too_long_for_a_table_tells_its_distance_from_the_bound() -> None:
    """Far beyond 12 subs with pair costs the weave is valid, not said to be exact, and near."""
    counts = {"L": 40, "R": 20, "G": 20, "B": 20}
    costs = GapCosts(1, each_pair(counts, np.random.default_rng(5), [2.0, 3.0, 4.0]), 11)
    woven = weave(counts, costs)
    check(woven, counts, costs)
    assert not woven.exact
    assert woven.cost_s < 1.2 * woven.lower_bound_s


def test_a_dither_hides_in_the_longest_change() -> None:
    """The one dither of a cycle goes where the wheel turns as long as it takes."""
    times_s = {("L", "R"): 2.0, ("R", "G"): 2.0, ("G", "L"): 14.0,
               ("R", "L"): 30.0, ("G", "R"): 30.0, ("L", "G"): 30.0}  # fmt: skip
    woven = weave({"R": 1, "G": 1, "L": 1}, GapCosts(1, times_s, 14))
    assert woven.order == ("L", "R", "G")
    assert woven.cost_s == 2 + 2 + 14


@pytest.mark.parametrize("counts", [c for n in range(2, 13) for c in multisets(n, 4)], ids=str)
def test_evenness_asked_first_keeps_tijdemans_bound(counts: tuple[int, ...]) -> None:
    """When gaps cost the same, no filter is further than 1 − 1/(2(k−1)) subs from its share.

    Tijdeman, "The chairman assignment problem", Discrete Mathematics 32 (1980).
    """
    woven = weave(named(counts), GapCosts(1, 0, 0))
    filters = len(counts)
    if filters > 1:
        assert distances(woven.order, named(counts))[0] <= 1 - 1 / (2 * (filters - 1)) + 1e-9


def test_three_luminance_to_one_of_each_colour() -> None:
    """Three L to one each of R, G, B need three dithers (common practice, no source)."""
    woven = weave({"L": 3, "R": 1, "G": 1, "B": 1}, GapCosts(2, 3, 14))
    assert sum(woven.dither_after) == 3
    assert woven.cost_s == 3 * 14 + 3 * 3


def test_equal_shares_go_round_with_one_dither() -> None:
    """One sub of each filter: in the order given, and a dither when the cycle is complete."""
    woven = weave({"L": 1, "R": 1, "G": 1, "B": 1}, GapCosts(2, 3, 14))
    assert woven.order == ("L", "R", "G", "B")
    assert woven.dither_after == (False, False, False, True)


def test_time_lost_to_dithers() -> None:
    """A dither after each sub loses 22.5 min where one in a cycle loses 7.5 min.

    Three filters for three hours each in two-minute subs, a dither of 5 s: common practice, no
    source.
    """
    counts, costs = {"R": 1, "G": 1, "B": 1}, GapCosts(0, 0, 5)
    cycles = 3 * 3600 / 120
    each, _ = plain_orders(counts, costs)
    assert each.cost_s * cycles == 22.5 * 60
    assert weave(counts, costs).cost_s * cycles == 7.5 * 60


def test_slow_changes_put_filters_in_runs() -> None:
    """When a change takes longer than a dither, each filter is taken in one run round the ring."""
    woven = weave({"H": 3, "O": 3}, GapCosts(2, 40, 14))
    changes = sum(
        a != b for a, b in zip(woven.order, woven.order[1:] + woven.order[:1], strict=True)
    )
    assert changes == 2


def test_long_cycles_say_that_they_are_not_exact() -> None:
    """Beyond 12 subs the cost is still the least, and the weave says that evenness may not be."""
    counts = {"L": 20, "R": 10, "G": 10, "B": 10}
    woven = weave(counts, GapCosts(2, 3, 14))
    check(woven, counts, GapCosts(2, 3, 14))
    assert not woven.exact
    assert distances(woven.order, counts)[0] < 1.0


@pytest.mark.parametrize("counts", [{}, {"L": 0}])
def test_nothing_to_weave(counts: dict[str, int]) -> None:
    """A cycle without subs is refused."""
    with pytest.raises(ValueError, match="at least one sub"):
        weave(counts, GapCosts(1, 1, 1))


def test_bound_of_a_single_filter() -> None:
    """One filter alone never changes and dithers in every gap."""
    assert lower_bound_s({"H": 5}, GapCosts(2, 30, 14)) == 5 * 14
