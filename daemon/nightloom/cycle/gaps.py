"""What the time between two subs costs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

DOWNLOAD_S, CHANGE_S, DITHER_S = 3.0, 4.0, 15.0
"""What is expected of a rig that nothing is known of: common practice, on the long side."""

Pair = tuple[str, str]
"""The filter of one sub, and that of the next."""


@dataclass(frozen=True)
class GapCosts:
    """How long each thing in a gap takes; they run together, so a gap lasts as long as the longest.

    `download_s` blocks the camera, `change_s` is the wheel and the focus offset after it: one time
    for all changes, or one for each ordered pair of different filters. `dither_s` is the dither and
    its settling.
    """

    download_s: float
    change_s: float | Mapping[Pair, float]
    dither_s: float

    def changing_s(self, before: str, after: str) -> float:
        """Time to go from one filter to another. Raises KeyError for a pair that has no time."""
        if before == after:
            return 0.0
        if isinstance(self.change_s, Mapping):
            return self.change_s[before, after]
        return self.change_s

    def gap_s(self, before: str, after: str, dithers: bool) -> float:
        """Seconds from the end of a sub to the beginning of the next."""
        dither_s = self.dither_s if dithers else 0.0
        return max(self.download_s, self.changing_s(before, after), dither_s)


def order_cost_s(
    order: Sequence[str], dither_after: Sequence[bool], costs: GapCosts, cycles: int = 1
) -> float:
    """Seconds lost in all gaps of a cycle that repeats, the gap back to its beginning included.

    Where so many `cycles` share a pointing, that gap dithers in one of them; this is the mean.
    """
    following = [*order[1:], order[0]]
    gaps = list(zip(order, following, dither_after, strict=True))
    whole_s = sum(costs.gap_s(*gap) for gap in gaps)
    back = order[-1], order[0]
    spared_s = costs.gap_s(*back, True) - costs.gap_s(*back, False)
    return whole_s - spared_s * (cycles - 1) / cycles


def changes_of(order: Sequence[str]) -> int:
    """Filter changes in an order that repeats."""
    return sum(here != order[place - 1] for place, here in enumerate(order))
