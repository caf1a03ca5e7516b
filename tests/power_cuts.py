"""A file system that loses what was not synced when its power is cut, in any order.

While a program runs in `recorded`, the folder below is looked at before and after each call that
may change it: what lies in files and folders now, and what of it was synced. `after_a_cut` gives
what a disk may hold when the power fails there: of each file any mixture of the sectors that were
on the disk and those that were written since, at either length; of each folder any of the names
that were given and taken since the folder was synced, each of them or none. A rename is one such
change. This is what POSIX leaves open, and more than a journal lets happen.

SQLite writes past Python, and is trusted: its files are taken as synced, with their names, whenever
they are looked at, which is between transactions. Its shared memory is gone after a cut.
"""

import contextlib
import itertools
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

SECTOR_BYTES = 512
CHANGING = ("fsync", "link", "unlink", "rename", "replace", "mkdir", "rmdir", "pwrite", "ftruncate")
"""Of Python's os, through which pathlib goes as well. What is written to an open file is found when
the next of them is called."""

SHARED_MEMORY = "-shm"
"""Ends the name of what SQLite's processes share; none outlives a cut."""

Names = dict[str, int]
"""A folder's entries: the number of each, which stands for its inode."""

Tree = Mapping[str, tuple[int, bytes]]
"""What is on a disk: files by their paths below the folder, each with its inode and content."""


@dataclass(frozen=True)
class Change:
    """What one call did to one folder's names."""

    removed: tuple[str, ...]
    added: tuple[tuple[str, int], ...]

    def on(self, names: Names) -> Names:
        """The names with it."""
        return {n: i for n, i in names.items() if n not in self.removed} | dict(self.added)


@dataclass
class Disk:
    """What was synced, and what was done since."""

    files: dict[int, tuple[bytes, bytes]] = field(default_factory=dict)
    """What was synced of each, and what it holds."""
    folders: dict[int, tuple[Names, list[Change], Names]] = field(default_factory=dict)
    """Of each: the names that were synced, what happened to them since, and what they are."""
    root: int = 0


@dataclass(frozen=True)
class Cut:
    """A moment at which the power may fail: after what, what the disk had been given by then, and
    what the program had been promised.
    """

    after: str
    disk: Disk
    promised: Any


class Recorder:
    """Follows what happens below a folder; `promises` gives what is promised at each moment."""

    def __init__(
        self, folder: Path, trusted: Callable[[str], bool], promises: Callable[[], Any]
    ) -> None:
        self.cuts: list[Cut] = []
        self._folder, self._trusted, self._promises = folder, trusted, promises
        self._numbers: dict[int, int] = {}
        self._next = itertools.count()
        self._disk = Disk()
        self._look()
        self._disk.root = self._numbers[folder.stat().st_ino]
        for number, (_, _, names) in list(self._disk.folders.items()):
            self._disk.folders[number] = (names, [], names)
        self._disk.files = {n: (now, now) for n, (_, now) in self._disk.files.items()}
        self.mark("the beginning")

    def mark(self, after: str) -> None:
        """Let the power fail here, too."""
        self._look()
        disk = Disk(dict(self._disk.files), dict(self._disk.folders), self._disk.root)
        self.cuts.append(Cut(after, disk, self._promises()))

    def synced(self, inode: int) -> None:
        """A file or a folder is on the disk as it is."""
        self._look()
        number = self._numbers.get(inode)
        if number in self._disk.files:
            now = self._disk.files[number][1]
            self._disk.files[number] = (now, now)
        elif number in self._disk.folders:
            names = self._disk.folders[number][2]
            self._disk.folders[number] = (names, [], names)

    def _look(self) -> None:
        """Find what has changed since the last look; what is new was never synced."""
        seen = {self._folder.stat().st_ino}
        for path, folders, files in os.walk(self._folder):
            names: Names = {}
            for name in (*folders, *files):
                if name.endswith(SHARED_MEMORY):
                    continue
                inode = (Path(path) / name).stat().st_ino
                seen.add(inode)
                names[name] = number = self._number(inode)
                if name in files:
                    content = (Path(path) / name).read_bytes()
                    synced = self._disk.files.get(number, (b"", b""))[0]
                    self._disk.files[number] = (
                        content if self._trusted(name) else synced,
                        content,
                    )
            self._rename(self._number(Path(path).stat().st_ino), names)
        self._numbers = {inode: n for inode, n in self._numbers.items() if inode in seen}

    def _number(self, inode: int) -> int:
        """A number for an inode that no later file is given: file systems use theirs again."""
        return self._numbers.setdefault(inode, next(self._next))

    def _rename(self, folder: int, names: Names) -> None:
        """Note what has changed in a folder."""
        synced, changes, before = self._disk.folders.get(folder, ({}, [], {}))
        trusted = {name: number for name, number in names.items() if self._trusted(name)}
        synced = {name: n for name, n in synced.items() if not self._trusted(name)} | trusted
        removed = tuple(n for n in before if names.get(n) != before[n] and not self._trusted(n))
        added = tuple(
            (n, i) for n, i in names.items() if before.get(n) != i and not self._trusted(n)
        )
        if removed or added:
            changes = [*changes, Change(removed, added)]
        self._disk.folders[folder] = (synced, changes, names)


@contextlib.contextmanager
def recorded(
    folder: Path, trusted: Callable[[str], bool], promises: Callable[[], Any]
) -> Iterator[Recorder]:
    """Follow what happens below a folder for the block; `trusted` are names of SQLite's files."""
    recorder = Recorder(folder, trusted, promises)
    inner = {name: getattr(os, name) for name in CHANGING}

    def wrapped(name: str) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            recorder.mark(f"before {name}")
            inode = os.fstat(given[0]).st_ino if name == "fsync" else 0
            result = inner[name](*given, **named)
            if name == "fsync":
                recorder.synced(inode)
            recorder.mark(f"after {name}")
            return result

        return call

    for name in CHANGING:
        setattr(os, name, wrapped(name))
    try:
        yield recorder
    finally:
        for name, function in inner.items():
            setattr(os, name, function)


# What a cut may leave ------------------------------------------------------------------------


def after_a_cut(cut: Cut, chance: np.random.Generator, mixtures: int) -> Iterator[Tree]:
    """What the disk may hold: every choice of the names, each with the plainest mixtures of what
    was written to files (nothing, all of it, its length alone) and so many by chance.
    """
    disk = cut.disk
    folders = {number: list(_choices(*given[:2])) for number, given in disk.folders.items()}
    for chosen in itertools.product(*folders.values()):
        names = dict(zip(folders, chosen, strict=True))
        paths = dict(_paths(disk.root, names, disk.files))
        files = {one: disk.files.get(one, (b"", b"")) for one in paths.values()}
        dirty = any(synced != now for synced, now in files.values())
        for number in range(3 + mixtures if dirty else 1):
            content = {one: _mixed(*given, number, chance) for one, given in files.items()}
            yield {path: (one, content[one]) for path, one in paths.items()}


def _choices(synced: Names, changes: list[Change]) -> Iterator[Names]:
    for there in itertools.product((False, True), repeat=len(changes)):
        names = synced
        for change in itertools.compress(changes, there):
            names = change.on(names)
        yield names


def _paths(
    folder: int, names: dict[int, Names], files: Mapping[int, object], before: str = ""
) -> Iterator[tuple[str, int]]:
    for name, number in names.get(folder, {}).items():
        if number in files:
            yield before + name, number
        else:
            yield f"{before}{name}/", number
            yield from _paths(number, names, files, f"{before}{name}/")


def _mixed(synced: bytes, written: bytes, number: int, chance: np.random.Generator) -> bytes:
    """One mixture: 0 nothing new, 1 all of it, 2 its length alone, others by chance."""
    if number < 2 or synced == written:
        return (synced, written)[min(number, 1)]
    length = len(written) if number == 2 else int(chance.choice([len(synced), len(written)]))
    mixed = bytearray(synced.ljust(length, b"\0")[:length])
    for at in range(0, length if number > 2 else 0, SECTOR_BYTES):
        if chance.random() < 0.5:
            mixed[at : at + SECTOR_BYTES] = written[at : at + SECTOR_BYTES][: length - at]
    return bytes(mixed)


def put_on(folder: Path, tree: Tree) -> None:
    """Make a folder hold what a disk held after a cut; names of one inode are one file again."""
    first: dict[int, Path] = {}
    for name, (inode, content) in sorted(tree.items()):
        path = folder / name
        if name.endswith("/"):
            path.mkdir(parents=True, exist_ok=True)
        elif inode in first:
            path.hardlink_to(first[inode])
        else:
            path.write_bytes(content)
            first[inode] = path
