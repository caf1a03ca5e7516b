"""The frames of a ledger, read from its file, in the order of entry."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path


@dataclass(frozen=True)
class Entry:
    """A frame as the ledger has it, in the order of entry."""

    uid: str
    night: str
    target: str
    filter: str
    exposure_s: float
    start_s: float
    path: str
    sha256: str
    accepted: bool
    taken_back_after: str = ""
    """Name of the latest frame that was entered when it ceased to count; empty if it never did."""


def read_entries(ledger: Path) -> tuple[list[Entry], list[str]]:
    """The ledger's frames, and what has no outcome."""
    with closing(sqlite3.connect(f"{ledger.as_uri()}?mode=ro", uri=True)) as connection:
        rows = connection.execute(
            "SELECT uid, night, target, filter, exposure_s, start_utc, path, sha256, verdict,"
            " taken_back_after"
            " FROM frames ORDER BY rowid"
        ).fetchall()
        half_done = connection.execute(
            "SELECT kind, detail FROM intents WHERE outcome IS NULL ORDER BY id"
        ).fetchall()
    return [_entry(*row) for row in rows], [f"{kind} {detail}" for kind, detail in half_done]


def _entry(
    uid: str,
    night: str,
    target: str,
    filter_name: str,
    exposure_s: float,
    start_utc: str,
    path: str,
    sha256: str,
    verdict: str,
    taken_back_after: str,
) -> Entry:
    start_s = datetime.fromisoformat(start_utc).timestamp()
    what = uid, night, target, filter_name, exposure_s, start_s, path, sha256
    return Entry(*what, verdict == "accepted", taken_back_after)
