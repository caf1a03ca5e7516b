"""Folders that are there after a power cut: without their names what lies in them is lost."""

import os
from contextlib import suppress
from functools import cache
from pathlib import Path


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, each on the disk before the next. Raises OSError."""
    if not folder.is_dir():
        _kept.cache_clear()  # whoever removed it may have removed those above it
    _kept(folder.absolute())


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk when this returns. Raises OSError."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@cache
def _kept(folder: Path) -> None:
    """Make it and sync its name, once in this process: one that is there already may have been
    made by a daemon that was killed before it came to that.
    """
    if folder == folder.parent:
        return
    _kept(folder.parent)
    if folder.is_dir():
        with suppress(OSError):  # the system's own folders need not let themselves be synced
            sync_folder(folder.parent)
    else:
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)
