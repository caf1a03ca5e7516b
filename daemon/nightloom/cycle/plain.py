"""The orders people set by hand, to hold a weave against."""

from collections.abc import Mapping
from dataclasses import dataclass

from nightloom.cycle.gaps import GapCosts, changes_of, order_cost_s


@dataclass(frozen=True)
class PlainOrder:
    """A cycle that dithers after every sub."""

    description: str
    order: tuple[str, ...]
    cost_s: float

    @property
    def changes(self) -> int:
        """Filter changes in a cycle, round the ring."""
        return changes_of(self.order)


def plain_orders(counts: Mapping[str, int], costs: GapCosts) -> tuple[PlainOrder, ...]:
    """The filters in turn, and one filter after the other, each dithering after every sub."""
    in_turn = tuple(
        filter_
        for turn in range(max(counts.values()))
        for filter_, count in counts.items()
        if turn < count
    )
    in_runs = tuple(filter_ for filter_, count in counts.items() for _ in range(count))
    return tuple(
        PlainOrder(description, order, order_cost_s(order, [True] * len(order), costs))
        for description, order in (
            ("interleaved, dither every sub", in_turn),
            ("one after another, dither every sub", in_runs),
        )
    )
