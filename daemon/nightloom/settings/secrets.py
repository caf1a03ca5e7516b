"""Files that hold secrets: read only where their owner alone can."""

import os
import stat
from pathlib import Path

OTHERS = 0o077


class Unreadable(Exception):
    """The file cannot be used; the text is the end of a sentence."""


def secret_lines(file: Path) -> list[str]:
    """The lines of a file that its owner alone may read, but for remarks. Raises Unreadable."""
    try:
        with file.open(encoding="utf-8") as opened:
            seen = os.fstat(opened.fileno())
            own = seen.st_uid == os.geteuid() and not seen.st_mode & OTHERS
            if not own or not stat.S_ISREG(seen.st_mode):
                raise Unreadable(
                    "must be a file that the daemon's user owns and nobody else may read, since it"
                    f" holds secrets: chmod 600 {file}"
                )
            lines = [line.strip() for line in opened]
    except OSError as error:
        raise Unreadable(f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError:
        raise Unreadable("is not UTF-8 text") from None  # that error shows what it read
    return [line for line in lines if line and not line.startswith("#")]
