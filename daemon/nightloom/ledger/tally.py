"""The tally of one target against what was asked of it."""

from collections.abc import Mapping
from dataclasses import dataclass

from nightloom.ledger.ledger import Ledger
from nightloom.ledger.records import Verdict


@dataclass(frozen=True)
class Asked:
    """What is asked of one filter."""

    share: int
    exposure_s: float
    wanted_s: float | None = None


@dataclass(frozen=True)
class FilterTally:
    """What one filter has, and how far that is from its share."""

    filter: str
    accepted_s: float
    subs: int
    rejected: int
    asked_fraction: float
    """Part of the target's seconds that was asked for this filter; 0 when none was."""
    fraction: float
    """Part of the target's accepted seconds that it has."""
    ahead_cycles: float
    """How many cycles ahead of its share (negative: behind); 0 when it was not asked for."""
    wanted_s: float | None
    """Accepted seconds at which it is complete, when that was said."""


@dataclass(frozen=True)
class TargetTally:
    """All filters of one target, those asked first, in the order asked."""

    target: str
    filters: tuple[FilterTally, ...]

    @property
    def accepted_s(self) -> float:
        """Accepted seconds of all filters."""
        return sum(row.accepted_s for row in self.filters)

    @property
    def unevenness(self) -> float:
        """Largest distance of a filter from its share, in cycles."""
        return max((abs(row.ahead_cycles) for row in self.filters), default=0.0)


def tally(ledger: Ledger, target: str, asked: Mapping[str, Asked]) -> TargetTally:
    """The tally of a target over all nights. Raises LedgerError.

    Of N cycles' worth of accepted seconds, a filter asked for has its share when its own seconds
    are N times what it gets in a cycle; it is ahead by as many cycles as it has more.
    """
    accepted = ledger.accepted_s(target)
    subs, rejected = ledger.subs(target), ledger.subs(target, Verdict.REJECTED)
    cycle_s = sum(one.share * one.exposure_s for one in asked.values())
    cycles = sum(accepted.get(name, 0.0) for name in asked) / cycle_s if asked else 0.0
    total_s = sum(accepted.values())

    def row(name: str) -> FilterTally:
        one, seconds = asked.get(name), accepted.get(name, 0.0)
        part_s = one.share * one.exposure_s if one else 0.0
        return FilterTally(
            filter=name,
            accepted_s=seconds,
            subs=subs.get(name, 0),
            rejected=rejected.get(name, 0),
            asked_fraction=part_s / cycle_s if one else 0.0,
            fraction=seconds / total_s if total_s else 0.0,
            ahead_cycles=seconds / part_s - cycles if one else 0.0,
            wanted_s=one.wanted_s if one else None,
        )

    others = sorted((accepted.keys() | rejected.keys()) - asked.keys())
    return TargetTally(target, tuple(row(name) for name in (*asked, *others)))
