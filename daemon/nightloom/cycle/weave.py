"""The order of a cycle's subs and the gaps in which it dithers.

The dithers cut the ring into pointings. Two subs of one filter never share a pointing, so an
undithered gap always changes the filter; what a ring costs then depends on two numbers only, its
dithers m and its filter changes k:

    (N − m) change + (m + k − N) (change and dither) + (N − k) dither

and m is at least the largest count, k at least the number of filters when there are several. The
least of that formula is the lower bound, and it can always be reached: with m at its bound when a
dither takes longer than a change (each pointing takes one sub of the commonest filter, the others
spread over the pointings), with k at its bound when a change takes longer (each filter in one run,
dithering inside it). For a given order, dithering only when the next filter was already taken at
this pointing needs the fewest dithers. So the search is not for cost but, among the cheapest
orders, for evenness.

Evenness: the smallest largest distance of any filter from its share after any sub, then the
smallest sum of squares of those distances, then the fewest dithers, then the order in which the
filters were given.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

from nightloom.cycle.gaps import Gap, GapCosts, order_cost_s

EXACT_UP_TO_SUBS = 12
# States kept in a layer of a longer cycle: enough for orders within a few percent of the most even.
_KEPT = 200
_SAME_S = 1e-6  # costs closer than this are equal


@dataclass(frozen=True)
class Weave:
    """One cycle as a ring: `dither_after[i]` says whether to dither between sub i and the next.

    A cycle ends with a dither. `cost_s` is what all gaps of a cycle take, the least there is
    (`lower_bound_s`); `exact` is false when a long cycle may not be as even as it could.
    """

    order: tuple[str, ...]
    dither_after: tuple[bool, ...]
    cost_s: float
    lower_bound_s: float
    exact: bool


def weave(counts: Mapping[str, int], costs: GapCosts) -> Weave:
    """The cheapest, then most even, order and dithers for `counts` subs of each filter.

    Raises ValueError when there is no filter or a count is below 1.
    """
    if not counts or min(counts.values()) < 1:
        raise ValueError(f"a cycle needs at least one sub of each filter, not {dict(counts)}")
    path, exact = _Search(tuple(counts.values()), costs).most_even()
    filters = tuple(counts)
    order = tuple(filters[step.filter] for step in path)
    # A step knows of the dither before it; the one before the first step closes the ring.
    dither_after = (*(step.dithered for step in path[1:]), True)
    return Weave(
        order,
        dither_after,
        order_cost_s(order, dither_after, costs),
        lower_bound_s(counts, costs),
        exact,
    )


def lower_bound_s(counts: Mapping[str, int], costs: GapCosts) -> float:
    """The least that any order of these counts can cost, from the formula above."""
    subs, filters = sum(counts.values()), len(counts)
    change, both, dither = (
        costs.of(gap) for gap in (Gap.CHANGE, Gap.CHANGE_AND_DITHER, Gap.DITHER)
    )
    return min(
        (subs - m) * change + (m + k - subs) * both + (subs - k) * dither
        for m in range(max(counts.values()), subs + 1)
        for k in (range(filters, subs + 1) if filters > 1 else (0,))
        if m + k >= subs
    )


class _Step(NamedTuple):
    filter: int
    dithered: bool


class _State(NamedTuple):
    left: tuple[int, ...]  # subs still to take, by filter
    pointing: frozenset[int]  # filters taken since the last dither
    first: int  # filters; -1 where the cost does not depend on them
    last: int


class _Rank(NamedTuple):
    farthest: int  # distances in subs, times the subs of the cycle
    squares: int
    dithers: int


_Path = tuple[_Step, ...]
_Layer = dict[_State, tuple[_Rank, _Path]]


class _Search:
    """A shortest path through the states of a cycle, one layer a sub, never leaving the least cost.

    A largest distance and a sum do not share a shortest path, so there are two passes: the first
    finds the smallest largest distance, the second the smallest sum within it.
    """

    def __init__(self, counts: tuple[int, ...], costs: GapCosts) -> None:
        self._counts, self._subs = counts, sum(counts)
        self._change_s = costs.of(Gap.CHANGE)
        self._both_s = costs.of(Gap.CHANGE_AND_DITHER)
        self._dither_s = costs.of(Gap.DITHER)
        # Only when a change takes longer than a dither does it matter which filter came last.
        self._runs_pay = self._dither_s < self._both_s
        self._exact = True

    def most_even(self) -> tuple[_Path, bool]:
        """The best path, and whether it is known to be the best."""
        rank, path = self._best(nearest=0, farthest=inf)
        if self._exact:
            _, path = self._best(nearest=rank.farthest, farthest=rank.farthest)
        return path, self._exact

    def _best(self, nearest: int, farthest: float) -> tuple[_Rank, _Path]:
        """The best path whose distances stay within `farthest`; those below `nearest` are equal."""
        layer: _Layer = {_State(self._counts, frozenset(), -1, -1): (_Rank(nearest, 0, 0), ())}
        for taken in range(1, self._subs + 1):
            following: _Layer = {}
            for state, (rank, path) in layer.items():
                for step, after in self._steps(state):
                    distances = self._distances(after.left, taken)
                    if max(distances) > farthest:
                        continue
                    here = _Rank(
                        max(rank.farthest, *distances),
                        rank.squares + sum(distance**2 for distance in distances),
                        rank.dithers + step.dithered,
                    )
                    if after not in following or here < following[after][0]:
                        following[after] = here, (*path, step)
            layer = self._thinned(following)
        return min(layer.values(), key=lambda found: found[0])

    def _steps(self, state: _State) -> Iterator[tuple[_Step, _State]]:
        """The next subs with which the cycle still costs the least it can."""
        least_s = self._completion_s(state)
        for filter_, left in enumerate(state.left):
            if left == 0:
                continue
            dithered = filter_ in state.pointing
            after = _State(
                (*state.left[:filter_], left - 1, *state.left[filter_ + 1 :]),
                frozenset({filter_}) if dithered else state.pointing | {filter_},
                (filter_ if state.first < 0 else state.first) if self._runs_pay else -1,
                filter_ if self._runs_pay else -1,
            )
            cost_s = self._gap_s(state, filter_, dithered) + self._completion_s(after)
            if cost_s <= least_s + _SAME_S:
                yield _Step(filter_, dithered), after

    def _gap_s(self, state: _State, filter_: int, dithered: bool) -> float:
        if not state.pointing:  # the gap before the first sub is the one that closes the ring
            return 0.0
        if not dithered:
            return self._change_s
        return self._dither_s if filter_ == state.last else self._both_s

    def _completion_s(self, state: _State) -> float:
        """The least that the remaining gaps can cost, the one that closes the ring included."""
        gaps = sum(state.left) + bool(state.pointing)
        if not self._runs_pay:
            dithers = 1 + max(
                left - (filter_ not in state.pointing) for filter_, left in enumerate(state.left)
            )
            dithers = max(dithers, 1)
            return dithers * self._both_s + (gaps - dithers) * self._change_s
        changes = self._changes_left(state)
        return changes * self._change_s + (gaps - changes) * self._dither_s

    def _changes_left(self, state: _State) -> int:
        """The fewest filter changes that the rest of the ring needs when filters go in runs."""
        others = sum(left > 0 for f, left in enumerate(state.left) if f != state.last)
        if not state.pointing:
            return others if others > 1 else 0
        if others == 0:
            return int(state.first != state.last)
        first_comes_last = state.first != state.last and state.left[state.first] > 0
        return others + (not first_comes_last)

    def _distances(self, left: tuple[int, ...], taken: int) -> list[int]:
        return [
            abs(self._subs * (count - remaining) - taken * count)
            for count, remaining in zip(self._counts, left, strict=True)
        ]

    def _thinned(self, layer: _Layer) -> _Layer:
        if self._subs <= EXACT_UP_TO_SUBS or len(layer) <= _KEPT:
            return layer
        self._exact = False
        return dict(sorted(layer.items(), key=lambda item: item[1][0])[:_KEPT])
