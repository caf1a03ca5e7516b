"""One SQLite file with one writer, each write on disk when it returns.

Another process may hold the file (a backup, a person with an SQL shell). Nothing waits for it here
longer than a blink, since the daemon's loop would stand still: what must be written down before
something is done raises LedgerBusy, and who asked tries again (`patiently`); what is only to be
kept is owed, and entered before the next write.
"""

import fcntl
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from nightloom.ledger.migrations import MIGRATIONS, migrate, version_of
from nightloom.ledger.records import Frame
from nightloom.ledger.rows import AnyRecord, Stored, columns, to_row

FILE_NAME = "ledger.sqlite"
"""The ledger's name in an output folder."""


class LedgerError(Exception):
    """The ledger could not do what it was asked."""

    def __init__(self, path: Path, *, asked: str, seen: str) -> None:
        super().__init__(path, asked, seen)
        self.path, self.asked, self.seen = path, asked, seen

    def __str__(self) -> str:
        return f"{self.path}: asked to {self.asked}: {self.seen}"


class LedgerBusy(LedgerError):
    """Another process holds the ledger; it may let go of it at any time."""


OPENING_S = 1.0
"""So long a ledger that is opened for writing may be held by another process."""

BLINK_S = 0.05
"""So long a write may wait for another process, and the daemon's loop with it."""

READER_S = 5.0
"""So long a reader waits, which is a command of a person's."""

PRIMARY = 0xFF
"""The part of SQLite's error codes that names the kind (SQLite: Result and Error Codes)."""

HELD = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}

Statement = tuple[str, str, Sequence[Stored]]
"""What it is for, its SQL, and its values."""


class Store:
    """The file, its lock and its statements. Every method raises LedgerError."""

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        self.path = path
        self._lock: int | None = None
        self._owed: list[Statement] = []
        with self._asked("open"):
            if not read_only:
                path.parent.mkdir(parents=True, exist_ok=True)
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
        """Enter what is owed, and let go of the file."""
        try:
            if self._owed:
                self._connection.execute(f"PRAGMA busy_timeout = {1000 * OPENING_S:.0f}")
                self.settle()
        finally:
            self._connection.close()
            self._release_lock()

    def settle(self) -> None:
        """Enter what is owed. Raises LedgerBusy while another process holds the ledger."""
        with self._transaction("enter what is owed"):
            pass

    # SQLite ----------------------------------------------------------------------------------

    def _connect(self, read_only: bool) -> sqlite3.Connection:
        mode = "ro" if read_only else "rwc"
        uri = f"{self.path.absolute().as_uri()}?mode={mode}"
        wait_s = READER_S if read_only else OPENING_S
        connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=wait_s)
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
                connection.execute(f"PRAGMA busy_timeout = {1000 * BLINK_S:.0f}")
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
        self._write(*_insertion(table, record))

    def _insert_when_free(self, table: str, record: AnyRecord) -> None:
        self._write_when_free(*_insertion(table, record))

    def _write(self, what: str, statement: str, values: Sequence[Stored]) -> sqlite3.Cursor:
        """Write now, after what is owed. Raises LedgerBusy."""
        if self._owed and not self._connection.in_transaction:
            with self._transaction(what):
                return self._connection.execute(statement, values)
        with self._asked(what):
            return self._connection.execute(statement, values)

    def _write_when_free(self, what: str, statement: str, values: Sequence[Stored]) -> int | None:
        """Write, or owe it while another process holds the ledger; rows changed, None if owed."""
        try:
            return self._write(what, statement, values).rowcount
        except LedgerBusy:
            self._owed.append((what, statement, values))
            return None

    @contextmanager
    def _transaction(self, what: str) -> Iterator[None]:
        """Write several things or none, after what is owed."""
        with self._asked(what), self._connection:
            self._connection.execute("BEGIN IMMEDIATE")
            for _, statement, values in self._owed:
                self._connection.execute(statement, values)
            yield
        self._owed.clear()

    def _rows(self, statement: str, values: Sequence[Stored]) -> list[sqlite3.Row]:
        with self._asked("read"):
            return self._connection.execute(statement, values).fetchall()

    @contextmanager
    def _asked(self, what: str) -> Iterator[None]:
        """Translate foreign errors at the border."""
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            code = getattr(error, "sqlite_errorcode", 0) & PRIMARY
            kind = LedgerBusy if code in HELD else LedgerError
            raise kind(self.path, asked=what, seen=str(error)) from error


def _insertion(table: str, record: AnyRecord) -> Statement:
    names = columns(type(record))
    marks = ", ".join("?" * len(names))
    what = f"enter frame {record.uid}" if isinstance(record, Frame) else f"enter {table}"
    return what, f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", to_row(record)


def where_clause(**wanted: str | None) -> tuple[str, list[Stored]]:
    """A WHERE clause for the columns that are given, and its values."""
    given = {name: value for name, value in wanted.items() if value is not None}
    clause = " AND ".join(f"{name} = ?" for name in given)
    return (f"WHERE {clause}" if clause else ""), [str(value) for value in given.values()]
