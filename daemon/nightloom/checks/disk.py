"""Whether frames could be written where the configuration says, without making anything."""

import os
from collections.abc import Sequence
from pathlib import Path

from nightloom.settings import Problem

DISKS = (Path("/media"), Path("/mnt"), Path("/run/media"))
"""Below these disks are mounted (Filesystem Hierarchy Standard 3.0, sections 3.11 and 3.12)."""

TABLE = Path("/etc/fstab")
"""Its second word of a line is where a disk is mounted (fstab(5))."""


def output_problems(folder: Path) -> list[Problem]:
    """Why the output folder cannot take frames."""
    nearest = next(parent for parent in (folder, *folder.parents) if parent.exists())
    absent = absent_disk(folder, mount_points(TABLE))
    if absent is not None:
        wrong = f"is on a disk that is not there: nothing is mounted at {absent}"
    elif not nearest.is_dir():
        wrong = f"cannot be a folder: {nearest} is a file"
    elif not os.access(nearest, os.W_OK | os.X_OK):
        wrong = f"cannot be written: {nearest} does not let this user write"
    else:
        return []
    return [Problem("observatory.toml", "output_folder", str(folder), wrong)]


def mount_points(table: Path) -> list[Path]:
    """Where disks are to be mounted, by fstab; nowhere where there is none."""
    try:
        lines = table.read_text("utf-8", "replace").splitlines()
    except OSError:
        return []
    words = [line.split() for line in lines if not line.lstrip().startswith("#")]
    return [Path(word[1]) for word in words if len(word) > 1 and word[1].startswith("/")]


def absent_disk(folder: Path, points: Sequence[Path]) -> Path | None:
    """Where a disk that the folder is on is not mounted; None where none is lacking.

    By fstab's mount points, and by the places for disks: below one, a folder that is not there is
    a disk that was not plugged in.
    """
    within = [folder, *folder.parents]
    lacking = [point for point in points if point in within and not point.is_mount()]
    if lacking:
        return max(lacking, key=lambda point: len(point.parts))
    below = [one for one in within if any(disks in one.parents for disks in DISKS)]
    if not below or any(one.is_mount() for one in within if one != Path("/")):
        return None
    return None if below[-1].exists() else below[-1]
