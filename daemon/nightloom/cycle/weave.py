"""The order of a cycle's subs and the gaps in which it dithers.

The rule: a pointing takes no more subs of a filter than it has room for, one where nothing else is
said, and a cycle begins at a pointing that has room for all of it, or for as much as any has. So
with a room of one any two subs of a filter have a dither between them. A filter's subs at one
pointing go one after another, in a run (`runs`), as nothing costs less than a gap in which neither
filter nor pointing changes; what is woven are the runs.

The cheapest orders are found first: `completion` says, from any point of a cycle, what the rest
costs at least, and a search that never takes a sub with which the cycle would cost more stays among
them. Of these it takes the most even one: the smallest largest distance of any filter from its
share after any run, then the smallest sum of squares of those distances, then the fewest dithers,
then the order in which the filters were given.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

import numpy as np

from nightloom.cycle.bound import lower_bound_s
from nightloom.cycle.completion import State, completion
from nightloom.cycle.gaps import GapCosts, changes_of, order_cost_s
from nightloom.cycle.runs import ONE_EACH, cycles_at_once, runs

EXACT_UP_TO_SUBS = 12
# States kept in a layer of a longer cycle: enough for orders within a few percent of the most even.
_KEPT = 200
_SAME_S = 1e-6  # costs closer than this are equal


@dataclass(frozen=True)
class Weave:
    """One cycle as a ring: `dither_after[i]` says whether to dither between sub i and the next.

    A cycle ends with a dither, or each of `cycles_at_once` that share a pointing does, and the
    others end without. `cost_s` is what all gaps of a cycle take, in the mean. `exact` says that no
    order costs less, and that none that costs as little is more even, run by run; up to 12 runs it
    is true, unless cycles share a pointing and each pair of filters has a time of its own. No order
    costs less than `lower_bound_s`.
    """

    order: tuple[str, ...]
    dither_after: tuple[bool, ...]
    cost_s: float
    lower_bound_s: float
    exact: bool
    cycles_at_once: int = 1

    @property
    def dithers(self) -> float:
        """Dithers in a cycle, in the mean."""
        return sum(self.dither_after) / self.cycles_at_once

    @property
    def changes(self) -> int:
        """Filter changes in a cycle, round the ring."""
        return changes_of(self.order)


def weave(counts: Mapping[str, int], costs: GapCosts, room: Mapping[str, int] = ONE_EACH) -> Weave:
    """The cheapest, then most even, order and dithers for `counts` subs of each filter.

    `room` says how many subs of a filter one pointing takes, 1 where it does not. Raises ValueError
    when there is no filter or a count or a room is below 1.
    """
    if not counts or min([*counts.values(), *room.values()]) < 1:
        raise ValueError(
            f"a cycle needs at least one sub of each filter, and room for it: {dict(counts)}"
        )
    left = runs(counts, room)
    path, exact = _Search({name: len(each) for name, each in left.items()}, costs).most_even()
    order: list[str] = []
    dither_after: list[bool] = []
    # A step knows of the dither before it; the one before the first step closes the ring.
    for step, following in zip(path, (*path[1:], None), strict=True):
        name = tuple(counts)[step.filter]
        length = left[name].pop(0)
        order += [name] * length
        dither_after += [False] * (length - 1) + [following is None or following.dithered]
    cycles = cycles_at_once(counts, room)
    return Weave(
        tuple(order),
        tuple(dither_after),
        order_cost_s(order, dither_after, costs, cycles),
        lower_bound_s(counts, costs, room),
        exact and (cycles == 1 or not isinstance(costs.change_s, Mapping)),
        cycles,
    )


class _Step(NamedTuple):
    filter: int
    dithered: bool


class _Rank(NamedTuple):
    dearer_s: float  # than the least that the cycle might cost
    farthest: int  # distances in subs, times the subs of the cycle
    squares: int
    dithers: int


_Path = tuple[_Step, ...]
_Layer = dict[State, tuple[_Rank, _Path]]


class _Search:
    """A shortest path through the states of a cycle, one layer a sub.

    A largest distance and a sum do not share a shortest path, so there are two passes: the first
    finds the smallest largest distance, the second the smallest sum within it.
    """

    def __init__(self, counts: Mapping[str, int], costs: GapCosts) -> None:
        self._counts = tuple(counts.values())
        self._subs = sum(self._counts)
        plain, dithered = (
            np.array([[costs.gap_s(f, g, dithers) for g in counts] for f in counts], dtype=float)
            for dithers in (False, True)
        )
        np.fill_diagonal(plain, inf)  # one filter twice at one pointing
        self._completion = completion(self._counts, plain, dithered)
        self._exact = self._completion.exact

    def most_even(self) -> tuple[_Path, bool]:
        """The best path, and whether it is known to be the best."""
        rank, path = self._best(nearest=0, farthest=inf)
        if self._exact:
            _, path = self._best(nearest=rank.farthest, farthest=rank.farthest)
        return path, self._exact

    def _best(self, nearest: int, farthest: float) -> tuple[_Rank, _Path]:
        """The best path whose distances stay within `farthest`; those below `nearest` are equal."""
        start = State(self._counts, frozenset(), -1, -1)
        layer: _Layer = {start: (_Rank(0.0, nearest, 0, 0), ())}
        for taken in range(1, self._subs + 1):
            following: _Layer = {}
            for state, (rank, path) in layer.items():
                for step, after, dearer_s in self._steps(state):
                    distances = self._distances(after.left, taken)
                    if max(distances) > farthest:
                        continue
                    here = _Rank(
                        rank.dearer_s + dearer_s,
                        max(rank.farthest, *distances),
                        rank.squares + sum(distance**2 for distance in distances),
                        rank.dithers + step.dithered,
                    )
                    if after not in following or here < following[after][0]:
                        following[after] = here, (*path, step)
            layer = self._thinned(following)
        return min(layer.values(), key=lambda found: found[0])

    def _steps(self, state: State) -> Iterator[tuple[_Step, State, float]]:
        """The next subs, the state after each, and how much dearer it makes the cycle.

        Where the completion is exact, only those that make it no dearer.
        """
        least_s = self._completion(state)
        begun = state.left != self._counts
        for filter_, left in enumerate(state.left):
            for dithers in self._ways(state, filter_) if left else ():
                after = self._after(state, filter_, dithers)
                # The gap before the first sub is the one that closes the ring.
                gap_s = self._completion.gap_s(state, filter_, dithers) if begun else 0.0
                dearer_s = gap_s + self._completion(after) - least_s
                if not self._completion.exact:
                    yield _Step(filter_, dithers), after, dearer_s
                elif dearer_s <= _SAME_S:
                    yield _Step(filter_, dithers), after, 0.0

    def _ways(self, state: State, filter_: int) -> tuple[bool, ...]:
        """Whether to dither before a sub: it must, or it may because that might cost nothing."""
        if filter_ in state.pointing:
            return (True,)
        return (False, True) if self._completion.ends_matter and state.last >= 0 else (False,)

    def _after(self, state: State, filter_: int, dithers: bool) -> State:
        left = (*state.left[:filter_], state.left[filter_] - 1, *state.left[filter_ + 1 :])
        here = frozenset({filter_}) if dithers else state.pointing | {filter_}
        pointing = frozenset(f for f in here if left[f])
        if not self._completion.ends_matter:
            return State(left, pointing, -1, -1)
        return State(left, pointing, filter_ if state.first < 0 else state.first, filter_)

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
