"""Reading a log while it grows."""

import asyncio
import os
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import BinaryIO

POLL_S = 0.25
"""Time between two looks at the file: soon enough for a reader, next to nothing for the disk."""


def read_lines(path: Path) -> Iterator[str]:
    """The lines of a log as it is, without their ends. Raises OSError."""
    with path.open("rb") as file:
        for line in file:
            yield _text(line)


async def follow(path: Path, *, poll_s: float = POLL_S) -> AsyncIterator[str]:
    """Every line of the file, then each new one as soon as it is complete; never ends.

    The file may not be there yet, may be cut to nothing, or may be replaced by another.
    """
    reader = _Reader(path)
    try:
        while True:
            for line in reader.new_lines():
                yield line
            await asyncio.sleep(poll_s)
    finally:
        reader.close()


async def follow_nights(folder: Path, *, poll_s: float = POLL_S) -> AsyncIterator[str]:
    """Every line of the newest night's log in a folder, then each new one, then those of the next
    night's log as soon as there is one; never ends. There may be no log yet.
    """
    reader, path = None, newest(folder)
    try:
        while True:
            if reader is None and path is not None:
                reader = _Reader(path)
            after = None if path is None else next_night(path)  # looked for before the last lines
            for line in reader.new_lines() if reader is not None else ():
                yield line
            if path is None:
                path = newest(folder)
            elif after is not None and reader is not None:
                reader.close()
                reader, path = None, after
                continue
            await asyncio.sleep(poll_s)
    finally:
        if reader is not None:
            reader.close()


def newest(folder: Path) -> Path | None:
    """The log of the newest night in a folder; None when there is none."""
    return max(_nights(folder), default=None)


def next_night(path: Path) -> Path | None:
    """The log of the night after; None when there is none yet."""
    return min((other for other in _nights(path.parent) if other > path), default=None)


def _nights(folder: Path) -> list[Path]:
    return list(folder.glob("[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9].jsonl"))


class _Reader:
    """The file that stands at a path, as far as it was read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: BinaryIO | None = None
        self._begun = b""

    def new_lines(self) -> Iterator[str]:
        """Lines completed since the last call."""
        yield from self._from_file()
        if self._changed():
            if self._begun:  # what the old file ended with will not go on in the new one
                yield _text(self._begun)
            self._reopen()
            yield from self._from_file()

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def _from_file(self) -> Iterator[str]:
        if self._file is None:
            return
        *lines, self._begun = (self._begun + self._file.read()).split(b"\n")
        yield from map(_text, lines)

    def _changed(self) -> bool:
        """Whether the path now leads to another file, or to one shorter than what was read."""
        try:
            there = self._path.stat()
        except FileNotFoundError:
            return False  # not yet there, or between two files: wait
        if self._file is None:
            return True
        same = os.path.samestat(there, os.fstat(self._file.fileno()))
        return not same or there.st_size < self._file.tell()

    def _reopen(self) -> None:
        self.close()
        self._begun = b""
        self._file = self._path.open("rb")


def _text(line: bytes) -> str:
    return line.decode("utf-8", "replace").rstrip("\r\n")
