"""The report by a process of its own at the lowest priority, so that it takes only idle time."""

import json
import pickle
from pathlib import Path

from nightloom.own_script import run_script
from nightloom.report.looking_up import Sources

DEADLINE_S = 1800.0
"""A night of 26-megapixel frames takes some minutes; beyond this something hangs."""

SCRIPT = Path(__file__).with_name("by_itself.py")


class NotWritten(Exception):
    """The report could not be written; says why."""


async def write_apart(sources: Sources, file: Path, deadline_s: float = DEADLINE_S) -> str:
    """Have the report written, and return what it says first. Raises NotWritten."""
    try:
        status, said = await run_script(
            SCRIPT, given=pickle.dumps((sources, file)), deadline_s=deadline_s
        )
    except TimeoutError:
        raise NotWritten(f"it was not done within {deadline_s / 60:.0f} min") from None
    except OSError as error:
        raise NotWritten(f"no process can be had: {error}") from error
    if status != 0:
        raise NotWritten(_reason(said, status))
    return str(json.loads(said)["said"])


def _reason(said: bytes, status: int | None) -> str:
    try:
        return str(json.loads(said)["reason"])
    except (ValueError, KeyError):
        return f"its process ended with status {status}"
