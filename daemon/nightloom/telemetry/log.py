"""The log: takes events, writes lines, tells who listens."""

import contextlib
import hashlib
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TextIO

import structlog

from nightloom.telemetry.event import Event
from nightloom.telemetry.line import as_json, steady, utc_text
from nightloom_drivers.clock import Clock

Listener = Callable[[datetime, Event], None]


class Log:
    """Writes each event as one JSON line to the night's file and to `echo` (stderr, say).

    Times come from the clock alone, so that a simulated night gives the same bytes each time.
    """

    def __init__(self, clock: Clock, *, path: Path | None = None, echo: TextIO | None = None):
        self._clock = clock
        self._file: TextIO | None = None
        self._echo = echo
        self._listeners: list[Listener] = []
        self._lines = structlog.wrap_logger(
            _Lines(self._write),
            processors=[
                steady,
                structlog.processors.JSONRenderer(serializer=as_json),
            ],
            wrapper_class=structlog.BoundLogger,
        )
        if path is not None:
            self.write_to(path)

    def emit(self, event: Event) -> None:
        """Write the event down, then tell the listeners."""
        now = self._clock.now()
        self._lines.msg(event.name(), utc=utc_text(now), level=event.level, **event.fields())
        for listener in tuple(self._listeners):
            listener(now, event)

    def write_to(self, path: Path) -> None:
        """Go on in this file, at its end. A line cut short by a crash is ended first.

        Raises OSError when the file cannot be written.
        """
        self.close()
        path.parent.mkdir(parents=True, exist_ok=True)
        torn = _ends_torn(path)
        self._file = path.open("a", encoding="utf-8", buffering=1, newline="\n")
        if torn:
            self._file.write("\n")

    def close(self) -> None:
        """Close the night's file; later events go to `echo` and the listeners only."""
        if self._file is not None:
            self._file.close()
            self._file = None

    @contextmanager
    def listen(self, listener: Listener) -> Iterator[None]:
        """Have every event handed to `listener` after it was written, until the block ends."""
        self._listeners.append(listener)
        try:
            yield
        finally:
            self._listeners.remove(listener)

    def _write(self, line: str) -> None:
        """Write to every sink that still takes lines: a full disk must not stop a parking mount."""
        for sink in (self._file, self._echo):
            if sink is None:
                continue
            try:
                sink.write(line + "\n")
                sink.flush()
            except OSError as error:
                self._give_up(sink, error)

    def _give_up(self, sink: TextIO, error: OSError) -> None:
        """Write no more to a sink that refused, and say so on standard error."""
        if sink is self._file:
            self._file = None
        else:
            self._echo = None
        with contextlib.suppress(OSError):  # there is nobody left to tell
            sys.stderr.write(f"nightloom: the log cannot be written any more: {error}\n")


class _Lines:
    """structlog's last stop: hands each rendered line on."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self.msg = write


def log_sha256(path: Path) -> str:
    """Hash of a log file in hex, the same for two runs of one seed. Raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _ends_torn(path: Path) -> bool:
    """Whether the file's last line has no end."""
    if not path.exists() or path.stat().st_size == 0:
        return False
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) != b"\n"
