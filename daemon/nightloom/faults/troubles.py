"""How often a part has failed, and what is gone on without. Numbers in, decisions out."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import inf

from nightloom.faults.table import QUIET_S, Between, Part, Row


@dataclass(frozen=True)
class Count:
    """Failures of one part without a success between them, and when the last one was."""

    number: int
    last_s: float


@dataclass(frozen=True)
class Troubles:
    """Each part's failures since it was last known to be well."""

    counts: Mapping[Part, Count] = field(default_factory=dict)

    def met(self, part: Part, now_s: float) -> "Troubles":
        """Another failure of a part; one that a quiet while has followed is forgotten."""
        before = self.counts.get(part, Count(0, -inf))
        number = before.number if now_s - before.last_s < QUIET_S else 0
        return replace(self, counts={**self.counts, part: Count(number + 1, now_s)})

    def number(self, part: Part) -> int:
        """How often it has failed since."""
        return self.counts[part].number if part in self.counts else 0

    def recovered(self) -> "Troubles":
        """A sub was taken: every part did what it was asked."""
        return Troubles()


def wait_s(row: Row, number: int) -> float:
    """The rest after the `number`th failure, from 1."""
    return float(min(row.wait_s * 2.0 ** min(number - 1, 30), row.wait_most_s))


def between(row: Row, number: int) -> Between:
    """What is done after the `number`th failure, from 1."""
    return row.between[min(number, len(row.between)) - 1] if row.between else Between.WAIT


ASK_S = 60.0
"""A part that answers at once is asked so often."""


class GivenUp:
    """What the night goes on without, and until when."""

    def __init__(self) -> None:
        self._until_s: dict[Part, float] = {}
        self._ask_s: dict[Part, float] = {}

    def give_up(self, part: Part, until_s: float) -> None:
        """Go on without it until then; asked for again after that, one failure is enough."""
        self._until_s[part] = until_s

    def may_be_asked(self, part: Part, now_s: float) -> bool:
        """Whether it is worth a look, beside the night's work, if it works again."""
        return now_s >= self._ask_s.get(part, -inf)

    def asked_in_vain(self, part: Part, now_s: float, took_s: float) -> None:
        """It does not; asking is to take no more than a tenth of the time."""
        self._ask_s[part] = now_s + max(ASK_S, 10.0 * took_s)

    def found(self, part: Part) -> None:
        """It works again."""
        self._until_s.pop(part, None)

    def without(self, part: Part, now_s: float) -> bool:
        """Whether it is gone on without."""
        return now_s < self._until_s.get(part, -inf)

    def was(self, part: Part) -> bool:
        """Whether it was given up before."""
        return part in self._until_s
