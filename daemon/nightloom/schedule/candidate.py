"""What may be imaged tonight, and what a plan is made of."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from nightloom.sky import Interval, overlaps

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Candidate:
    """A group of filters of a target: when it may be imaged, how well, and how much is wanted.

    `quality`, (steps,), is 0 to 1 and never NaN. `open_fraction` is the part of its
    time for which the shutter is open. `wanted_s` are the open seconds that the group still lacks,
    `target_s` those that the whole target may still take tonight. In its `crossings` the telescope
    changes the sides of the pier, wherever it came from.
    """

    target: str
    group: int
    windows: tuple[Interval, ...]
    quality: Floats
    weight: float = 1.0
    open_fraction: float = 1.0
    wanted_s: float = inf
    target_s: float = inf
    crossings: tuple[Interval, ...] = ()

    def usable_s(self, edges_unix_s: Floats) -> Floats:
        """Seconds of each step, (n,), in its windows and not crossings.

        Steps lie between one edge and the next: (n + 1,), increasing and finite.
        """
        crossing = overlaps(self.windows, self.crossings)
        return _shared_s(self.windows, edges_unix_s) - _shared_s(crossing, edges_unix_s)


def _shared_s(intervals: Sequence[Interval], edges_unix_s: Floats) -> Floats:
    """Seconds of each step, (n,), that lie in the intervals, which do not overlap; edges are (n +
    1,).
    """
    shared = [
        np.minimum(edges_unix_s[1:], one.end_unix_s)
        - np.maximum(edges_unix_s[:-1], one.start_unix_s)
        for one in intervals
    ]
    inside = np.clip(np.reshape(shared, (-1, len(edges_unix_s) - 1)), 0.0, None)
    return np.asarray(inside.sum(axis=0))


@dataclass(frozen=True)
class Block:
    """A stretch of the night for one group of one target, and the open seconds expected of it."""

    target: str
    group: int
    start_unix_s: float
    end_unix_s: float
    open_s: float


@dataclass(frozen=True)
class Plan:
    """Blocks in order of time, and what they are worth.

    `bound` is an upper bound of what any plan on the same steps is worth; `exact` says that it is
    reached.
    """

    blocks: tuple[Block, ...]
    objective: float
    bound: float

    @property
    def exact(self) -> bool:
        """Whether no other plan is worth more."""
        return self.bound <= self.objective * (1 + 1e-9) + 1e-6

    def at(self, unix_s: float) -> Block | None:
        """The block of a moment; None when nothing is planned for it."""
        return next((b for b in self.blocks if b.start_unix_s <= unix_s < b.end_unix_s), None)


@dataclass(frozen=True)
class Choice:
    """What a plan has for a running target and after it, seen from a moment.

    `finish_first` says that the running target lacks less than the plan can see.
    """

    plan: Plan
    now_unix_s: float
    running: str
    finish_first: bool = False
    mosaic: str = ""
    """That of which the running target is a panel; empty where it is none."""
    panel: str = ""
    """The panel of it that is due."""

    def target(self, ahead_s: float = 0.0) -> str | None:
        """The target that is due so much later, or earlier, unless the plan has nothing there.

        None when it has nothing now either.
        """
        block = self.plan.at(self.now_unix_s + ahead_s) or self.plan.at(self.now_unix_s)
        if block is None:
            return None
        if self.finish_first:
            return self.running
        return self.panel if self.mosaic and block.target == self.mosaic else block.target


def steps(span: Interval, step_s: float) -> Floats:
    """Edges, (steps + 1,), of steps that fill a span; the last step may be shorter."""
    return np.append(np.arange(span.start_unix_s, span.end_unix_s, step_s), span.end_unix_s)
