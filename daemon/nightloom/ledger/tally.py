"""The tally of one target against what was asked of it."""

from collections.abc import Mapping
from dataclasses import dataclass

from nightloom.cycle import Cycle, Share, unevenness
from nightloom.ledger.ledger import Ledger
from nightloom.ledger.records import Verdict


@dataclass(frozen=True)
class FilterTally:
    """What one filter has, and how far that is from its share."""

    filter: str
    accepted_s: float
    subs: int
    rejected: int
    fraction: float
    """Part of the target's accepted seconds that it has."""
    asked_fraction: float
    """Part of the target's seconds that was asked for this filter; 0 when none was."""
    ahead_cycles: float
    """How many cycles ahead of its share (negative: behind); 0 when it was not asked for."""
    wanted_s: float | None
    """Accepted seconds at which it is complete, when that was said."""


@dataclass(frozen=True)
class TargetTally:
    """All filters of one target, those asked first, in the order asked."""

    target: str
    accepted_s: float
    """Accepted seconds of all filters."""
    unevenness: float
    """Largest distance of a filter from its share, in cycles."""
    filters: tuple[FilterTally, ...]


def tally(
    ledger: Ledger, target: str, cycle: Cycle | None, wanted_s: Mapping[str, float] | None = None
) -> TargetTally:
    """The tally of a target over all nights; `cycle` is None when it is no longer asked for.

    Of N cycles' worth of accepted seconds, a filter has its share when its own seconds are N times
    what it gets in a cycle; it is ahead by as many cycles as it has more. Raises LedgerError.
    """
    accepted = ledger.accepted_s(target)
    subs, rejected = ledger.subs(target), ledger.subs(target, Verdict.REJECTED)
    shares = {share.filter: share for share in cycle.shares} if cycle else {}
    total_s = sum(accepted.values())
    cycles = sum(accepted.get(n, 0.0) for n in shares) / cycle.exposure_s if cycle else 0.0

    def row(name: str, share: Share | None) -> FilterTally:
        seconds = accepted.get(name, 0.0)
        return FilterTally(
            filter=name,
            accepted_s=seconds,
            subs=subs.get(name, 0),
            rejected=rejected.get(name, 0),
            fraction=seconds / total_s if total_s else 0.0,
            asked_fraction=share.cycle_s / cycle.exposure_s if share and cycle else 0.0,
            ahead_cycles=seconds / share.cycle_s - cycles if share else 0.0,
            wanted_s=(wanted_s or {}).get(name),
        )

    others = sorted((accepted.keys() | rejected.keys()) - shares.keys())
    rows = tuple(row(name, shares.get(name)) for name in (*shares, *others))
    return TargetTally(target, total_s, unevenness(cycle, accepted) if cycle else 0.0, rows)
