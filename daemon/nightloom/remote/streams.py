"""The log as server-sent events: what was, then what comes, without a seam.

Source of the format: WHATWG HTML, 9.2 Server-sent events.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from datetime import datetime

from nightloom.remote.lines import Lines, Piece
from nightloom.remote.query import Place, Wanted
from nightloom.telemetry import Event

STREAMS_MAX = 32
"""When more come the one that came first leaves: none can keep the others out."""

PAUSE_S = 0.01
"""Between two pieces of the log, whoever they are for: a hundred who want whole nights take no more
of the night's computer than one."""

QUIET_S = 15.0
"""So often somebody hears that the daemon is still there."""

RETRY = b"retry: 5000\n\n"
STILL_HERE = b": still here\n\n"
NOTHING_YET = Piece([], None, more=False)


class Streams:
    """Everybody who follows the log."""

    def __init__(self, lines: Lines) -> None:
        self._lines = lines
        self._turn = asyncio.Lock()
        self._leave: dict[asyncio.Event, asyncio.Event] = {}
        """For each stream, the oldest first: set for news; set for its end."""

    def observe(self, _utc: datetime, _event: Event) -> None:
        """There is another line in the log."""
        for news in self._leave:
            news.set()

    def close(self) -> None:
        """Have everybody leave."""
        for news, leave in self._leave.items():
            leave.set()
            news.set()

    def place(self, wanted: Wanted) -> Place | None:
        """Where to begin. Raises NoSuchNight."""
        return self._lines.start(wanted.start)

    async def follow(self, wanted: Wanted, place: Place | None) -> AsyncIterator[bytes]:
        """The stream from a place on; it ends only when it is told to leave, or after what is there
        for one that is not to be live.
        """
        with self._joined() as (news, leave):
            yield RETRY
            while not leave.is_set():
                news.clear()
                place = place or self._lines.start("night")
                piece = await self._piece(place) if place is not None else NOTHING_YET
                if text := b"".join(_written(piece, wanted)):
                    yield text
                place = piece.then
                if piece.more:
                    continue
                if not wanted.live:
                    return
                if not await _within(news, QUIET_S):
                    yield STILL_HERE

    async def _piece(self, place: Place) -> Piece:
        async with self._turn:
            piece = self._lines.after(place)
            await asyncio.sleep(PAUSE_S)
        return piece

    @contextmanager
    def _joined(self) -> Iterator[tuple[asyncio.Event, asyncio.Event]]:
        news, leave = asyncio.Event(), asyncio.Event()
        staying = [one for one, told in self._leave.items() if not told.is_set()]
        for oldest in staying[: max(0, len(staying) + 1 - STREAMS_MAX)]:
            self._leave[oldest].set()
            oldest.set()
        self._leave[news] = leave
        try:
            yield news, leave
        finally:
            del self._leave[news]


def _written(piece: Piece, wanted: Wanted) -> Iterator[bytes]:
    """The lines that are wanted, as events."""
    for behind, line in piece.lines:
        fields = _fields(line)
        if fields is not None and wanted.takes(fields):
            name = str(fields["event"]).encode()
            yield b"id: %s\nevent: %s\ndata: %s\n\n" % (str(behind).encode(), name, line)


def _fields(line: bytes) -> dict[str, object] | None:
    """What a line says; None when it is no event: a crash cuts lines."""
    try:
        fields = json.loads(line)
    except ValueError:
        return None
    if not isinstance(fields, dict) or not isinstance(fields.get("event"), str):
        return None
    return fields


async def _within(event: asyncio.Event, deadline_s: float) -> bool:
    try:
        async with asyncio.timeout(deadline_s):
            return await event.wait()
    except TimeoutError:
        return False
