"""What the running rig takes for each part of a gap: robust figures of its latest durations."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median

from nightloom.ledger.ledger import Ledger
from nightloom.ledger.records import Duration, Part

LATEST = 30
"""Durations that a figure is made of: enough to be steady, few enough to follow a change."""

ENOUGH = 5
"""Durations from which on a figure is believed: two may go wrong without moving the median far."""

_SIGMA = 1.4826
"""Standard deviation of normal data over their median absolute deviation (Hampel 1974)."""

Key = tuple[Part, str, str]
"""A part of a gap; for a change, with the filters before and after it."""


@dataclass(frozen=True)
class Running:
    """Median of the latest durations, and their spread as a standard deviation."""

    median_s: float
    spread_s: float
    count: int

    @property
    def enough(self) -> bool:
        """Whether it may replace what was configured."""
        return self.count >= ENOUGH


def running(durations: Iterable[Duration]) -> dict[Key, Running]:
    """The running figure of each part, from durations in the order in which they were measured."""
    took_s: dict[Key, list[float]] = defaultdict(list)
    for one in durations:
        took_s[one.kind, one.before, one.after].append(one.took_s)
    return {key: _figure(each_s[-LATEST:]) for key, each_s in took_s.items()}


def running_figures(ledger: Ledger) -> dict[Key, Running]:
    """The running figures of the ledger's rig. Raises LedgerError."""
    return running(ledger.durations(LATEST))


def _figure(each_s: list[float]) -> Running:
    middle_s = median(each_s)
    spread_s = _SIGMA * median(abs(one_s - middle_s) for one_s in each_s)
    return Running(middle_s, spread_s, len(each_s))
