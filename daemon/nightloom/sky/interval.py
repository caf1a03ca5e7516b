"""Stretches of time."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Interval:
    """From one moment to a later one, in Unix seconds."""

    start_unix_s: float
    end_unix_s: float

    @property
    def duration_s(self) -> float:
        return self.end_unix_s - self.start_unix_s

    def __contains__(self, unix_s: float) -> bool:
        return self.start_unix_s <= unix_s <= self.end_unix_s

    def common(self, other: "Interval") -> "Interval | None":
        """The time both share; None when they share none."""
        start = max(self.start_unix_s, other.start_unix_s)
        end = min(self.end_unix_s, other.end_unix_s)
        return Interval(start, end) if start < end else None

    def grid(self, step_s: float) -> NDArray[np.float64]:
        """Moments, (n,), no further apart than `step_s`, both ends included."""
        return np.linspace(
            self.start_unix_s, self.end_unix_s, max(2, int(np.ceil(self.duration_s / step_s)) + 1)
        )


def intervals_above(
    unix_s: NDArray[np.float64], height: NDArray[np.float64], level: float = 0.0
) -> list[Interval]:
    """When a sampled curve is above a level, in order; crossings by linear interpolation.

    Moments, which increase, and heights are (n,) and finite, n at least 1.
    """
    margin = height - level
    before, after = margin[:-1], margin[1:]
    (turns,) = np.nonzero((before > 0) != (after > 0))
    crossings = unix_s[turns] + (unix_s[turns + 1] - unix_s[turns]) * (
        before[turns] / (before[turns] - after[turns])
    )
    first = [unix_s[0]] if margin[0] > 0 else []
    last = [unix_s[-1]] if margin[-1] > 0 else []
    edges = [float(edge) for edge in (*first, *crossings, *last)]
    return [
        Interval(start, end)
        for start, end in zip(edges[::2], edges[1::2], strict=True)
        if start < end
    ]


def overlaps(first: Sequence[Interval], second: Sequence[Interval]) -> list[Interval]:
    """The time that is in an interval of both, in the order of the first."""
    return [both for one in first for other in second if (both := one.common(other))]


def outside(intervals: Sequence[Interval], span: Interval) -> list[Interval]:
    """The rest of a span, when intervals in order are taken out of it."""
    edges = [
        span.start_unix_s,
        *(edge for one in intervals for edge in (one.start_unix_s, one.end_unix_s)),
        span.end_unix_s,
    ]
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return [Interval(start, end) for start, end in pairs if start < end]


def joined(intervals: Sequence[Interval]) -> list[Interval]:
    """Intervals in order, those that touch or overlap made one."""
    whole: list[Interval] = []
    for one in sorted(intervals, key=lambda interval: interval.start_unix_s):
        if whole and one.start_unix_s <= whole[-1].end_unix_s:
            end = max(one.end_unix_s, whole[-1].end_unix_s)
            whole[-1] = Interval(whole[-1].start_unix_s, end)
        else:
            whole.append(one)
    return whole
