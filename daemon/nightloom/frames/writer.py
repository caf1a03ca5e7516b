"""Writes a frame so that it is whole or not there, and never over another one.

The bytes go to a hidden file in the same folder, to the disk, and then under their name; the
folder goes to the disk last. A failed fsync is never tried again: the pages it lost are gone.
Source: Rebello et al. 2020, Can applications recover from fsync failures?, USENIX ATC.
"""

import hashlib
import os
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray


class FrameExists(Exception):
    """There is a file of that name already; it was left as it was."""

    def __init__(self, path: Path) -> None:
        super().__init__(f"{path} exists already")
        self.path = path


class FrameNotWritten(Exception):
    """The frame is not safely on disk; a file under its name, if there is one, is whole."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(f"{path} was not written: {reason}")
        self.path, self.reason = path, reason


def write_frame(path: Path, data: NDArray[np.uint16], header: fits.Header) -> str:
    """Write one frame of (rows, columns) ADU as FITS and return the SHA-256 of the file in hex.

    Missing folders are made. The file carries CHECKSUM and DATASUM.
    Raises FrameExists when the name is taken and FrameNotWritten when the disk refuses.
    """
    if path.exists():
        raise FrameExists(path)
    partial = path.with_name(f".{path.name}.partial")
    try:
        _make_folder(path.parent)
        try:
            digest = _write_durably(partial, data, header)
            _name(partial, path)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as refusal:
        raise FrameNotWritten(path, refusal.strerror or str(refusal)) from refusal
    return digest


class _HashingFile:
    """A file for writing that hashes what passes."""

    mode = "wb"

    def __init__(self, file: Any) -> None:
        self._file = file
        self.sha256 = hashlib.sha256()

    def write(self, chunk: bytes) -> int:
        self.sha256.update(chunk)
        return int(self._file.write(chunk))

    def flush(self) -> None:
        self._file.flush()

    def tell(self) -> int:
        return int(self._file.tell())


def _write_durably(partial: Path, data: NDArray[np.uint16], header: fits.Header) -> str:
    hdu = fits.PrimaryHDU(data, header)
    hdu.add_checksum(when="FITS standard 4.0, section 4.4.2.7")  # no date: one frame, one file
    with partial.open("wb") as file:
        hashing = _HashingFile(file)
        hdu.writeto(hashing)
        file.flush()
        os.fsync(file.fileno())
    return hashing.sha256.hexdigest()


def _name(partial: Path, path: Path) -> None:
    try:
        os.link(partial, path)  # unlike a rename, it fails when the name is taken
    except FileExistsError as taken:
        raise FrameExists(path) from taken
    _sync_folder(path.parent)


def _make_folder(folder: Path) -> None:
    """Make a folder and those above it, each on disk before the next."""
    if folder.is_dir():
        return
    _make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    _sync_folder(folder.parent)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
