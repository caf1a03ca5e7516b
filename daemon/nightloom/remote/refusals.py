"""Refusals in the log: each kind at growing intervals, with how many there were."""

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass, field

from nightloom.telemetry import Log
from nightloom.telemetry.events import RemoteRefused
from nightloom.telemetry.outages import telling_s

FORGOTTEN_S = 7200.0
"""After so long without any, the next one is told at once."""


@dataclass
class _Kind:
    """What was not told yet."""

    times: int = 0
    last_s: float = 0.0
    tell_s: float = 0.0
    pauses: Iterator[float] = field(default_factory=telling_s)


class Refusals:
    """Counts by kind. Kinds are the daemon's own words: nothing that was sent is repeated."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._kinds: dict[str, _Kind] = {}

    def tell(self, why: str, origin: str) -> None:
        """Count a refusal, and have the log tell of it when it is time."""
        now_s = asyncio.get_running_loop().time()
        kind = self._kinds.get(why)
        if kind is None or now_s - kind.last_s > FORGOTTEN_S:
            kind = self._kinds[why] = _Kind(tell_s=now_s)
        kind.times, kind.last_s = kind.times + 1, now_s
        if now_s >= kind.tell_s:
            self._log.emit(RemoteRefused(reason=why, origin=origin, times=kind.times))
            kind.times, kind.tell_s = 0, now_s + next(kind.pauses)
