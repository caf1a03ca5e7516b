"""The logs of an output folder: one file a night."""

import contextlib
from datetime import date
from pathlib import Path

from nightloom.telemetry.log import Log


def log_file(output_folder: Path, night: date) -> Path:
    """Where the log of a night is."""
    return output_folder / "logs" / f"{night}.jsonl"


def nights_logged(output_folder: Path) -> list[date]:
    """The nights that have a log, the newest one last."""
    return nights_in(output_folder / "logs")


def nights_in(folder: Path) -> list[date]:
    """The nights whose logs are in a folder, such as a rehearsal's, the newest one last."""
    nights = []
    for file in folder.glob("????-??-??.jsonl"):
        try:
            nights.append(date.fromisoformat(file.stem))
        except ValueError:
            continue  # no log of ours
    return sorted(nights)


def go_on_in_newest(log: Log, output_folder: Path, tonight: date) -> None:
    """Have what happens before a night in the log of the last one, as what happens after it is.

    Before the very first it is in that of `tonight`. A disk that refuses is the night's to tell of.
    """
    nights = nights_logged(output_folder)
    with contextlib.suppress(OSError):
        log.write_to(log_file(output_folder, nights[-1] if nights else tonight))
