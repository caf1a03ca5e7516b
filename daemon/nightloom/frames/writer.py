"""Writes a frame so that it is whole or not there, and never over another one.

The bytes go to a hidden file in the same folder, to the disk, and then under their name; the
folder goes to the disk last. A failed fsync is never tried again: the pages it lost are gone.
Source: Rebello et al. 2020, Can applications recover from fsync failures?, USENIX ATC.

The verdict comes later, into cards that were kept free for it, one card at a time.
"""

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
from astropy.io import fits

from nightloom.folders import make_folder, sync_folder
from nightloom.frames.checksum import ZERO, added, checksum, summed
from nightloom.frames.image import Frame, Pixels
from nightloom.frames.star_table import star_list, write_stars
from nightloom_drivers.star_list import StarList

CARD_BYTES = 80
BLOCK_BYTES = 2880
PART_PX = 720 * BLOCK_BYTES // 2
"""Pixels that are written at one go: two megabytes of whole blocks."""


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


class FrameNotRead(Exception):
    """There is a file, and it cannot be read as a frame."""

    def __init__(self, path: Path, reason: str) -> None:
        super().__init__(f"{path} could not be read: {reason}")
        self.path, self.reason = path, reason


def partial_of(path: Path) -> Path:
    """Where the bytes of a frame are until they are all on disk."""
    return path.with_name(f".{path.name}.partial")


def write_frame(path: Path, data: Frame, header: fits.Header) -> None:
    """Write one frame of (rows, columns) ADU, or of stars alone, as FITS.

    Missing folders are made. The file carries CHECKSUM and DATASUM.
    Raises FrameExists when the name is taken and FrameNotWritten when the disk refuses.
    """
    if path.exists():
        raise FrameExists(path)
    partial = partial_of(path)
    try:
        make_folder(path.parent)
        try:
            if isinstance(data, StarList):
                write_stars(partial, data, header)
            else:
                _write_durably(partial, data, header)
            _name(partial, path)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as refusal:
        raise FrameNotWritten(path, _said(refusal)) from refusal


def amend_frame(path: Path, judged: Sequence[bytes]) -> str:
    """Put cards into the places that end with VERDICT; return the SHA-256 of the file in hex.

    Whatever is cut short between two cards, the file can be read and amended again.
    Raises FrameNotWritten when the disk refuses, or when the file has no such place.
    """
    try:
        with path.open("r+b", buffering=0) as file:
            for offset, card in _amended(path, _header_of(file.read), judged):
                os.pwrite(file.fileno(), card, offset)
            os.fsync(file.fileno())
            file.seek(0)
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as refusal:
        raise FrameNotWritten(path, refusal.strerror or str(refusal)) from refusal


def frame_at(path: Path) -> str | None:
    """The FRAMEID of the frame that is there, empty for one without; None where there is none.

    Raises FrameNotRead.
    """
    try:
        return str(fits.getheader(path).get("FRAMEID", ""))
    except FileNotFoundError:
        return None
    except OSError as refusal:
        raise FrameNotRead(path, refusal.strerror or str(refusal)) from refusal


def read_frame(path: Path) -> Frame:
    """A frame on disk: pixels (rows, columns) in ADU, or its stars. Raises FrameNotRead."""
    try:
        with fits.open(path, memmap=False) as opened:
            if opened[0].header["NAXIS"] == 0:
                return star_list(opened)
            pixels: Pixels = np.asarray(opened[0].data, np.uint16)
            return pixels
    except (OSError, ValueError, TypeError, LookupError) as refusal:
        raise FrameNotRead(path, str(refusal)) from refusal


def remove_partial(path: Path) -> bool:
    """Remove what was begun of a frame; whether there was something. Raises OSError."""
    partial = partial_of(path)
    try:
        partial.unlink()
    except FileNotFoundError:
        return False
    sync_folder(path.parent)
    return True


def _said(refusal: OSError) -> str:
    """The system's own words, which astropy wraps in words of its own without them."""
    while not refusal.strerror and isinstance(refusal.__context__, OSError):
        refusal = refusal.__context__
    return refusal.strerror or str(refusal)


def free_bytes(folder: Path) -> int:
    """Room on the disk that holds a folder, which need not be there yet. Raises OSError."""
    there = next(path for path in (folder, *folder.parents) if path.exists())
    return shutil.disk_usage(there).free


def _header_of(read: Callable[[int], bytes]) -> bytes:
    """The blocks of a header, the one with END last; shorter where the file ends before."""
    blocks = b""
    while block := read(BLOCK_BYTES):
        blocks += block
        if b"END".ljust(CARD_BYTES) in (block[at : at + CARD_BYTES] for at in _cards(block)):
            break
    return blocks


def _cards(header: bytes) -> range:
    return range(0, len(header), CARD_BYTES)


def _amended(path: Path, header: bytes, judged: Sequence[bytes]) -> list[tuple[int, bytes]]:
    """Which cards go where, the CHECKSUM that fits them last."""
    place = {header[at : at + 8].rstrip(): at for at in _cards(header)}
    if not {b"VERDICT", b"CHECKSUM", b"DATASUM"} <= place.keys():
        raise FrameNotWritten(path, "its header has no place for a verdict")
    first = place[b"VERDICT"] - CARD_BYTES * (len(judged) - 1)
    changed = [(first + CARD_BYTES * n, card) for n, card in enumerate(judged)]
    summed = place[b"CHECKSUM"]
    whole = bytearray(header)
    for at, card in changed:
        whole[at : at + CARD_BYTES] = card
    text = slice(summed + 11, summed + 11 + len(ZERO))
    whole[text] = ZERO
    datasum = fits.Card.fromstring(header[place[b"DATASUM"] :][:CARD_BYTES]).value
    whole[text] = checksum(bytes(whole), int(datasum))
    return [*changed, (summed, bytes(whole[summed : summed + CARD_BYTES]))]


def _write_durably(partial: Path, data: Pixels, header: fits.Header) -> None:
    """Write (rows, columns) of counts to a partial file that is on the disk when this returns.

    The pixels go a part after the other, so that no second frame is held, and are summed on the
    way; then the header, which holds their sum, goes before them.
    """
    cards = fits.PrimaryHDU(data, header).header
    with partial.open("wb") as file:
        file.seek(len(summed(cards, 0)))
        datasum = 0
        for part in _in_parts(data):
            datasum = added(datasum, part)
            file.write(part)
        file.seek(0)
        file.write(summed(cards, datasum))
        file.flush()
        os.fsync(file.fileno())


def _in_parts(data: Pixels) -> Iterator[bytes]:
    """The data unit of (rows, columns) of counts, whose last part is filled up to whole blocks.

    FITS knows signed numbers: 32768 is taken off, which flips the highest bit (standard, table 11).
    """
    pixels = data.reshape(-1)
    for first in range(0, len(pixels), PART_PX):
        part = (pixels[first : first + PART_PX] ^ np.uint16(0x8000)).astype(">u2").tobytes()
        yield part + bytes(-len(part) % BLOCK_BYTES)


def _name(partial: Path, path: Path) -> None:
    try:
        os.link(partial, path)  # unlike a rename, it fails when the name is taken
    except FileExistsError as taken:
        raise FrameExists(path) from taken
    partial.unlink()
    sync_folder(path.parent)
