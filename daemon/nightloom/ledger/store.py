"""One SQLite file with one writer, each write on disk when it returns."""

import fcntl
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from nightloom.folders import make_folder
from nightloom.ledger.migrations import MIGRATIONS, migrate, version_of
from nightloom.ledger.records import Frame
from nightloom.ledger.rows import AnyRecord, Stored, columns, to_row

FILE_NAME = "ledger.sqlite"
"""The ledger's name in an output folder."""

BUSY_S = 0.5
"""So long a statement waits for another process, and everything else with it."""


class LedgerError(Exception):
    """The ledger could not do what it was asked."""

    def __init__(self, path: Path, *, asked: str, seen: str) -> None:
        super().__init__(path, asked, seen)
        self.path, self.asked, self.seen = path, asked, seen

    def __str__(self) -> str:
        return f"{self.path}: asked to {self.asked}: {self.seen}"


class LedgerBusy(LedgerError):
    """Another process holds the file, and may let go of it at any time."""


class Store:
    """The file, its lock and its statements. Every method raises LedgerError."""

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        self.path = path
        self._lock: int | None = None
        with self._asked("open"):
            if not read_only:
                make_folder(path.parent)
                self._lock = self._take_lock()
            try:
                self._connection = self._connect(read_only)
            except BaseException:
                self._release_lock()
                raise

    @classmethod
    def read(cls, path: Path) -> Self:
        """Open for reading only; the file must be there."""
        return cls(path, read_only=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()
        self._release_lock()

    def put_in_order(self) -> None:
        """Have SQLite check the whole file, and take in what was written beside it. By day only."""
        with self._asked("check the file"):
            found = self._connection.execute("PRAGMA quick_check").fetchone()[0]
            if found != "ok":
                raise LedgerError(self.path, asked="check the file", seen=found)
            self._connection.execute("PRAGMA optimize")
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def copy_to(self, path: Path) -> None:
        """Make a whole copy of the file, which is there whole or not at all."""
        with self._asked(f"copy itself to {path}"):
            path.parent.mkdir(parents=True, exist_ok=True)
            begun = path.with_suffix(".begun")
            copy = sqlite3.connect(begun)
            try:
                self._connection.backup(copy)
            finally:
                copy.close()
            begun.replace(path)

    # SQLite ----------------------------------------------------------------------------------

    def _connect(self, read_only: bool) -> sqlite3.Connection:
        mode = "ro" if read_only else "rwc"
        uri = f"{self.path.absolute().as_uri()}?mode={mode}"
        connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=BUSY_S)
        connection.row_factory = sqlite3.Row
        try:
            known, found = len(MIGRATIONS), version_of(connection)
            if found > known or (read_only and found < known):
                seen = f"its version is {found}, and this program knows version {known}"
                raise LedgerError(self.path, asked="open", seen=seen)
            if not read_only:
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
                migrate(connection)
        except BaseException:
            connection.close()
            raise
        return connection

    def _take_lock(self) -> int:
        """Hold a lock beside the file, which the system lets go of even after kill -9."""
        lock = os.open(f"{self.path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(lock)
            seen = "another process is writing it"
            raise LedgerError(self.path, asked="open", seen=seen) from None
        return lock

    def _release_lock(self) -> None:
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _insert(self, table: str, record: AnyRecord) -> None:
        names = columns(type(record))
        marks = ", ".join("?" * len(names))
        what = f"enter frame {record.uid}" if isinstance(record, Frame) else f"enter {table}"
        self._write(
            what, f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", to_row(record)
        )

    def _write(self, what: str, statement: str, values: Sequence[Stored]) -> sqlite3.Cursor:
        with self._asked(what):
            return self._connection.execute(statement, values)

    def _rows(self, statement: str, values: Sequence[Stored]) -> list[sqlite3.Row]:
        with self._asked("read"):
            return self._connection.execute(statement, values).fetchall()

    @contextmanager
    def _asked(self, what: str) -> Iterator[None]:
        """Translate foreign errors at the border."""
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            kind = LedgerBusy if _is_busy(error) else LedgerError
            raise kind(self.path, asked=what, seen=str(error)) from error


def _is_busy(error: Exception) -> bool:
    """Whether SQLite gave up on a lock; extended codes keep the primary one in their low byte."""
    code = getattr(error, "sqlite_errorcode", 0)
    return isinstance(error, sqlite3.OperationalError) and code & 0xFF == sqlite3.SQLITE_BUSY


def where_clause(**wanted: str | None) -> tuple[str, list[Stored]]:
    """A WHERE clause for the columns that are given, and its values."""
    given = {name: value for name, value in wanted.items() if value is not None}
    clause = " AND ".join(f"{name} = ?" for name in given)
    return (f"WHERE {clause}" if clause else ""), [str(value) for value in given.values()]
