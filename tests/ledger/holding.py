"""Another process that holds the ledger, as a backup does, or a person with an SQL shell."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_HOLDER = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
print("held", flush=True)
sys.stdin.readline()
connection.execute("ROLLBACK")
"""


class Holder:
    """The process; it holds the file from the beginning."""

    def __init__(self, path: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _HOLDER, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "held\n"

    def let_go(self) -> None:
        """Let go of the file, and end; once is enough."""
        self._process.communicate("\n", timeout=30.0)
        assert self._process.returncode == 0


@contextmanager
def held(path: Path) -> Iterator[Holder]:
    """Have the file held, until the end at the latest."""
    holder = Holder(path)
    try:
        yield holder
    finally:
        if holder._process.returncode is None:
            holder.let_go()
