"""The log as it lies on disk, a piece at a time: whoever reads on from a place misses nothing.

The file is the queue. However slowly somebody reads, nothing is kept for them in memory.
"""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from nightloom.remote.query import Place, Start
from nightloom.telemetry.nights import log_file, nights_logged

PIECE_BYTES = 16_384
"""Some sixty lines: read and sorted out within a millisecond."""

LINE_BYTES_MAX = 1_000_000
"""A longer one is no event's, and is gone through in parts."""


class NoSuchNight(Exception):
    """No log is kept of it."""


@dataclass(frozen=True)
class Piece:
    """Some whole lines, each with the place behind it, and where to read on."""

    lines: list[tuple[Place, bytes]]
    then: Place | None
    more: bool
    """Whether there is more already."""


class Lines:
    """The logs of an output folder."""

    def __init__(self, output_folder: Path) -> None:
        self._output = output_folder

    def start(self, wanted: Start) -> Place | None:
        """Where to begin; None while there is no log. Raises NoSuchNight."""
        if isinstance(wanted, Place):
            return wanted
        nights = nights_logged(self._output)
        if isinstance(wanted, date):
            if wanted not in nights:
                raise NoSuchNight
            return Place(wanted)
        if not nights:
            return None
        newest = nights[-1]
        return Place(newest, self._size(newest) if wanted == "now" else 0)

    def after(self, place: Place) -> Piece:
        """The next lines."""
        lines, then, full = self._read(place)
        if full:
            return Piece(lines, then, more=True)
        later = [night for night in nights_logged(self._output) if night > place.night]
        return Piece(lines, Place(later[0]) if later else then, more=bool(later))

    def _read(self, place: Place) -> tuple[list[tuple[Place, bytes]], Place, bool]:
        """The next whole lines of one file, the place behind them, and whether there may be more
        of it.
        """
        at = place.offset if place.offset <= self._size(place.night) else 0
        try:
            with log_file(self._output, place.night).open("rb") as file:
                file.seek(max(0, at - 1))
                inside = at > 0 and file.read(1) != b"\n"  # no id of ours: the line's end is sought
                read = file.read(PIECE_BYTES)
                full = len(read) == PIECE_BYTES
                if full and b"\n" not in read:
                    read += file.read(LINE_BYTES_MAX)
        except OSError:
            return [], place, False
        *whole, rest = read.split(b"\n")
        if not whole and len(rest) > LINE_BYTES_MAX:
            return [], Place(place.night, at + len(rest)), True
        lines, behind = [], at
        for line in whole:
            behind += len(line) + 1
            lines.append((Place(place.night, behind), line))
        return lines[1:] if inside else lines, Place(place.night, behind), full and bool(whole)

    def _size(self, night: date) -> int:
        try:
            return log_file(self._output, night).stat().st_size
        except OSError:
            return 0
