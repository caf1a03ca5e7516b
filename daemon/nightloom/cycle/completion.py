"""What the rest of a cycle costs at least, from any point in it.

The dithers cut the ring into pointings. Two subs of one filter never share a pointing, so a gap
without a dither always changes the filter. A cycle begins at a new pointing: the gap that closes
the ring dithers.
"""

from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

Costs = NDArray[np.float64]
"""(filters, filters): what the gap from a filter (row) to another costs; inf where forbidden.

Never NaN.
"""

TABLE_MAX = 2_000_000
"""States for which a table of costs is worked out: any cycle of 12 subs has fewer."""


class State(NamedTuple):
    """Where a cycle stands: what is left of each filter, and what the next gaps depend on."""

    left: tuple[int, ...]
    pointing: frozenset[int]
    """Filters taken since the last dither, of those that are still to come."""
    first: int
    last: int
    """The first filter of the cycle and the latest; −1 where the costs do not depend on them."""


class Completion(Protocol):
    """The least that the gaps after a state cost, the one that closes the ring included."""

    exact: bool
    """Whether this can always be reached; otherwise it is a bound."""
    ends_matter: bool
    """Whether states tell their first and latest filter apart."""

    def __call__(self, state: State) -> float: ...

    def gap_s(self, state: State, filter_: int, dithers: bool) -> float:
        """What the gap costs between a state's latest sub and a next one."""
        ...


class SingleChange:
    """The completion when every change takes the same time, from a formula.

    Of n gaps, m dither and k change the filter; an undithered gap changes, so they cost
    (n − m) change + (m + k − n) (change and dither) + (n − k) dither. When a dither takes longer
    than a change, m is to be least: as many as the commonest filter has subs left, and that is
    enough, because each pointing can take one of them and the other filters go where they fit.
    When a change takes longer, k is to be least, and it is with each filter in one run, dithering
    inside it and, at no cost, where the run ends.
    """

    exact = True

    def __init__(self, counts: Sequence[int], change_s: float, dither_s: float) -> None:
        self._counts = tuple(counts)
        self._change_s, self._dither_s = change_s, dither_s
        self.ends_matter = dither_s < change_s  # then filters go in runs

    def __call__(self, state: State) -> float:
        begun = state.left != self._counts
        gaps = sum(state.left) + begun
        if self.ends_matter:
            changes = self._changes(state, begun)
            return changes * self._change_s + (gaps - changes) * self._dither_s
        needed = max(left - (f not in state.pointing) for f, left in enumerate(state.left))
        dithers = 1 + max(needed, 0)
        return dithers * self._dither_s + (gaps - dithers) * self._change_s

    def gap_s(self, state: State, filter_: int, dithers: bool) -> float:
        """The change, the dither, or the longer of the two."""
        if not dithers:
            return self._change_s
        return self._dither_s if filter_ == state.last else max(self._change_s, self._dither_s)

    def _changes(self, state: State, begun: bool) -> int:
        """The fewest filter changes that the rest of the ring needs when filters go in runs."""
        others = sum(left > 0 for f, left in enumerate(state.left) if f != state.last)
        if not begun:
            return others if others > 1 else 0
        if others == 0:
            return int(state.first != state.last)
        first_comes_last = state.first != state.last and state.left[state.first] > 0
        return others + (not first_comes_last)


class Table:
    """The completion for costs of any kind, worked out backwards from the end of the cycle.

    Bellman's principle: what a state costs at least is the least over the next subs of the gap
    before it and of what the state after it costs. One entry for each state: subs left of each
    filter, filters at this pointing (a bit each, needed only where a filter may come twice),
    latest filter, first filter.
    """

    exact = True
    ends_matter = True

    def __init__(self, counts: Sequence[int], plain: Costs, dithered: Costs) -> None:
        self._counts = tuple(counts)
        self._gaps_s: tuple[list[list[float]], ...] = (plain.tolist(), dithered.tolist())
        several = [f for f, count in enumerate(counts) if count > 1]
        self._bits = [1 << several.index(f) if f in several else 0 for f in range(len(counts))]
        self._plain, self._dithered = plain, dithered
        pointings = np.arange(1 << len(several))
        # Where a sub of each filter leads without a dither, and where it may not go without one.
        self._with = [pointings | bit for bit in self._bits]
        self._barred = [np.where(pointings & bit, np.inf, 0.0) for bit in self._bits]
        subs_left = tuple(count + 1 for count in counts)
        self._costs = np.empty((*subs_left, len(pointings), len(counts), len(counts)))
        for left in np.ndindex(subs_left):
            self._costs[left] = self._from(left) if any(left) else dithered

    @staticmethod
    def size(counts: Sequence[int]) -> int:
        """Number of states."""
        several = sum(count > 1 for count in counts)
        return int(np.prod([count + 1 for count in counts], dtype=float)) * (
            len(counts) ** 2 << several
        )

    def __call__(self, state: State) -> float:
        if state.left == self._counts:
            return self._first_s()
        bits = sum(self._bits[filter_] for filter_ in state.pointing)
        return float(self._costs[state.left][bits, state.last, state.first])

    def gap_s(self, state: State, filter_: int, dithers: bool) -> float:
        """The cost of that pair."""
        return self._gaps_s[dithers][state.last][filter_]

    def _from(self, left: tuple[int, ...]) -> Costs:
        """Costs of all states with so many subs left: (pointing, latest, first)."""
        least = np.full(self._costs.shape[len(left) :], np.inf)
        for filter_ in (f for f, subs in enumerate(left) if subs):
            after = self._after(left, filter_)[:, filter_, :]
            here = after[self._with[filter_]] + self._barred[filter_][:, np.newaxis]
            to_it = self._plain[:, filter_, np.newaxis]
            np.minimum(least, to_it + here[:, np.newaxis, :], out=least)
            dithering = self._dithered[:, filter_, np.newaxis] + after[self._bits[filter_]]
            np.minimum(least, dithering, out=least)
        return least

    def _first_s(self) -> float:
        return min(
            float(self._after(self._counts, f)[bit, f, f]) for f, bit in enumerate(self._bits)
        )

    def _after(self, left: tuple[int, ...], filter_: int) -> Costs:
        """The table's part for one sub less of a filter."""
        part: Costs = self._costs[(*left[:filter_], left[filter_] - 1, *left[filter_ + 1 :])]
        return part


class Bound:
    """A bound on the completion, for costs of any kind and cycles too long for a table.

    It is what the rest would cost if every change were as quick as the quickest.
    """

    exact = False
    ends_matter = True

    def __init__(self, counts: Sequence[int], plain: Costs, dithered: Costs) -> None:
        self._gaps_s: tuple[list[list[float]], ...] = (plain.tolist(), dithered.tolist())
        self._quickest = SingleChange(counts, float(plain.min()), float(dithered.diagonal().min()))

    def __call__(self, state: State) -> float:
        return self._quickest(state)

    def gap_s(self, state: State, filter_: int, dithers: bool) -> float:
        """The cost of that pair."""
        return self._gaps_s[dithers][state.last][filter_]


def completion(counts: Sequence[int], plain: Costs, dithered: Costs) -> Completion:
    """The completion for gaps that cost `plain` without a dither and `dithered` with one."""
    changes = plain[np.isfinite(plain)]
    dither_s = float(dithered.diagonal().min())
    if changes.size == 0 or np.ptp(changes) == 0:
        return SingleChange(counts, float(changes.max(initial=0.0)), dither_s)
    small = Table.size(counts) <= TABLE_MAX
    return (Table if small else Bound)(counts, plain, dithered)
