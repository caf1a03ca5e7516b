"""What the time between two subs costs."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from enum import Enum


class Gap(Enum):
    """What happens between two successive subs, besides the download."""

    NOTHING = "nothing"
    CHANGE = "change"
    DITHER = "dither"
    CHANGE_AND_DITHER = "change and dither"

    @classmethod
    def of(cls, changes: bool, dithers: bool) -> "Gap":
        if dithers:
            return cls.CHANGE_AND_DITHER if changes else cls.DITHER
        return cls.CHANGE if changes else cls.NOTHING


@dataclass(frozen=True)
class GapCosts:
    """How long each thing in a gap takes; they run together, so a gap lasts as long as the longest.

    `download_s` blocks the camera, `change_s` is the wheel and the focus offset after it,
    `dither_s` the dither and its settling.
    """

    download_s: float
    change_s: float
    dither_s: float

    def of(self, gap: Gap) -> float:
        """Seconds from the end of one sub to the beginning of the next."""
        change_s = self.change_s if gap in (Gap.CHANGE, Gap.CHANGE_AND_DITHER) else 0.0
        dither_s = self.dither_s if gap in (Gap.DITHER, Gap.CHANGE_AND_DITHER) else 0.0
        return max(self.download_s, change_s, dither_s)


def order_cost_s(order: Sequence[Hashable], dither_after: Sequence[bool], costs: GapCosts) -> float:
    """Seconds lost in all gaps of a cycle that repeats, the gap back to its beginning included."""
    following = [*order[1:], order[0]]
    return sum(
        costs.of(Gap.of(here != there, dithers))
        for here, there, dithers in zip(order, following, dither_after, strict=True)
    )
