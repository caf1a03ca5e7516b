"""Acts on mount and roof: the intent before, the outcome after, kept over restarts.

After a crash, or when a driver starts again, the record says what neither can know: whether the
mount was free or the roof open. A ledger that cannot be written never holds up a way to safety;
what would leave it is refused then.
"""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Literal

from nightloom.ledger import Ledger, LedgerError
from nightloom.telemetry import Log
from nightloom.telemetry.events import ActUnrecorded
from nightloom_drivers.clock import Clock

Part = Literal["mount", "roof"]

RESTING: dict[Part, str] = {"mount": "park", "roof": "close"}
"""The act that leaves each part as it rests."""

DONE = "done"


class Acts:
    """The latest act on mount and on roof; without a ledger, since this start.

    The `log` hears of acts that the ledger did not take.
    """

    def __init__(self, ledger: Ledger | None, clock: Clock, log: Log | None = None) -> None:
        self._ledger, self._clock, self._log = ledger, clock, log
        self._latest: dict[Part, str] = {}
        for part in RESTING:
            last = ledger.last_act(part) if ledger is not None else None
            if last is not None:
                self._latest[part] = last.detail["act"] if last.outcome == DONE else "unfinished"

    def may_be_free(self, part: Part) -> bool:
        """Whether the last act on it was another than the one that leaves it at rest."""
        return self._latest.get(part, RESTING[part]) != RESTING[part]

    @asynccontextmanager
    async def of(self, part: Part, act: str) -> AsyncIterator[None]:
        """Record an act around it. Raises LedgerError before one that leaves safety."""
        intent = self._begin(part, act)
        self._latest[part] = act if act != RESTING[part] else "unfinished"
        try:
            yield
        except BaseException as cut:
            self._finish(intent, part, act, f"not done: {str(cut) or type(cut).__name__}")
            raise
        self._latest[part] = act
        self._finish(intent, part, act, DONE)

    def _begin(self, part: Part, act: str) -> int | None:
        if self._ledger is None:
            return None
        try:
            return self._ledger.begin(part, {"act": act}, self._clock.now())
        except LedgerError as error:
            if act != RESTING[part]:
                raise
            self._tell(part, act, error)
            return None

    def _finish(self, intent: int | None, part: Part, act: str, outcome: str) -> None:
        if self._ledger is None or intent is None:
            return
        try:
            self._ledger.finish(intent, outcome, self._clock.now())
        except LedgerError as error:  # what is unfinished stands for free or open
            self._tell(part, act, error)

    def _tell(self, part: Part, act: str, error: LedgerError) -> None:
        if self._log is not None:
            self._log.emit(ActUnrecorded(part=part, act=act, reason=str(error)))
