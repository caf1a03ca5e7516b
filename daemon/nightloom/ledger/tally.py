"""The tally of one target against what was asked of it."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from nightloom.cycle import Cycle, Share, unevenness
from nightloom.ledger.ledger import Ledger
from nightloom.ledger.records import Verdict
from nightloom.settings import Target


@dataclass(frozen=True)
class FilterTally:
    """What one filter has, and how far that is from its share."""

    filter: str
    accepted_s: float
    subs: int
    rejected: int
    worth_s: float
    """What they are worth, in seconds of the filter's clear dark night."""
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


def tally_s(ledger: Ledger, target: Target, *, night: str | None = None) -> dict[str, float]:
    """Seconds by filter as a target counts them, over all nights or in one. Raises LedgerError."""
    told = ledger.worth_s if target.count == "depth" else ledger.accepted_s
    return told(target.name, night=night)


def whole_tally_s(ledger: Ledger, panels: Iterable[Target], night: str) -> dict[str, float]:
    """The same of one night, of all panels of a mosaic together. Raises LedgerError."""
    seconds: Counter[str] = Counter()
    for panel in panels:
        seconds.update(tally_s(ledger, panel, night=night))
    return dict(seconds)


def tally(
    ledger: Ledger,
    target: str,
    cycle: Cycle | None,
    wanted_s: Mapping[str, float] | None = None,
    *,
    depth: bool = False,
) -> TargetTally:
    """The tally of a target over all nights; `cycle` is None when it is no longer asked for.

    Of N cycles' worth of accepted seconds, a filter has its share when its own seconds are N times
    what it gets in a cycle; it is ahead by as many cycles as it has more. With `depth` its shares
    are of what frames are worth. Raises LedgerError.
    """
    accepted, worth = ledger.accepted_s(target), ledger.worth_s(target)
    counted = worth if depth else accepted
    subs, rejected = ledger.subs(target), ledger.subs(target, Verdict.REJECTED)
    shares = {share.filter: share for share in cycle.shares} if cycle else {}
    total_s, all_s = sum(accepted.values()), sum(counted.values())
    cycles = sum(counted.get(n, 0.0) for n in shares) / cycle.exposure_s if cycle else 0.0

    def row(name: str, share: Share | None) -> FilterTally:
        seconds = counted.get(name, 0.0)
        return FilterTally(
            filter=name,
            accepted_s=accepted.get(name, 0.0),
            worth_s=worth.get(name, 0.0),
            subs=subs.get(name, 0),
            rejected=rejected.get(name, 0),
            fraction=seconds / all_s if all_s else 0.0,
            asked_fraction=share.cycle_s / cycle.exposure_s if share and cycle else 0.0,
            ahead_cycles=seconds / share.cycle_s - cycles if share else 0.0,
            wanted_s=(wanted_s or {}).get(name),
        )

    others = sorted((accepted.keys() | rejected.keys()) - shares.keys())
    rows = tuple(row(name, shares.get(name)) for name in (*shares, *others))
    return TargetTally(target, total_s, unevenness(cycle, counted) if cycle else 0.0, rows)
