from collections.abc import Iterator, Sequence
from itertools import permutations, product
from time import process_time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.cycle import GapCosts, Weave, lower_bound_s, order_cost_s, plain_orders, weave

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


def by_brute_force(counts: dict[str, int], costs: GapCosts) -> tuple[float, float, float]:
    """Least cost, and the best evenness at that cost, over all orders and all dither sets."""
    subs = [f for f, count in counts.items() for _ in range(count)]
    return min(
        (order_cost_s(order, dithers, costs), *distances(order, counts))
        for order in set(permutations(subs))
        for dithers in product([False, True], repeat=len(subs))
        if dithers[-1] and keeps_apart(order, dithers)
    )


@pytest.mark.parametrize("costs", COSTS, ids=str)
@pytest.mark.parametrize("counts", [c for n in range(1, 7) for c in multisets(n, 4)], ids=str)
def test_best_of_all_orders_and_dither_sets(counts: tuple[int, ...], costs: GapCosts) -> None:
    """Up to six subs, trying everything finds nothing cheaper, and nothing more even as cheap."""
    woven = weave(named(counts), costs)
    seen = (woven.cost_s, *distances(woven.order, named(counts)))
    assert seen == pytest.approx(by_brute_force(named(counts), costs))
    assert keeps_apart(woven.order, woven.dither_after)


def check(woven: Weave, counts: dict[str, int], costs: GapCosts) -> None:
    assert {f: woven.order.count(f) for f in counts} == counts
    assert keeps_apart(woven.order, woven.dither_after)
    assert woven.dither_after[-1]
    assert woven.cost_s == pytest.approx(order_cost_s(woven.order, woven.dither_after, costs))
    assert woven.cost_s == pytest.approx(woven.lower_bound_s)


@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=5),
    st.builds(GapCosts, *[st.floats(0, 60).map(lambda s: round(s, 1))] * 3),
)
@settings(max_examples=60, deadline=None)
def test_every_weave_is_valid_and_reaches_the_bound(counts: list[int], costs: GapCosts) -> None:
    """Whatever is asked, the counts are right, the dither rule holds and the cost is the least."""
    check(weave(named(counts), costs), named(counts), costs)


@pytest.mark.parametrize("costs", COSTS[:3], ids=str)
def test_every_cycle_up_to_twelve_subs_is_exact_and_quick(costs: GapCosts) -> None:
    """Any cycle of up to 12 subs over 4 filters is exact; up to 7 subs in 0.05 s, else 0.5 s."""
    for subs in range(1, 13):
        for counts in multisets(subs, 4):
            begin = process_time()
            woven = weave(named(counts), costs)
            assert process_time() - begin < (0.05 if subs <= 7 else 0.5)
            assert woven.exact
            check(woven, named(counts), costs)


@pytest.mark.parametrize("counts", [c for n in range(2, 13) for c in multisets(n, 4)], ids=str)
def test_evenness_asked_first_keeps_tijdemans_bound(counts: tuple[int, ...]) -> None:
    """When gaps cost the same, no filter is further than 1 − 1/(2(k−1)) subs from its share.

    Tijdeman, "The chairman assignment problem", Discrete Mathematics 32 (1980); the figure of the
    bound is from memory.
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
