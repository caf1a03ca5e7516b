"""A frame without pixels on disk: its header, and a binary table of its stars."""

import os
from functools import lru_cache
from pathlib import Path

import numpy as np
from astropy.io import fits

from nightloom.frames.checksum import added, summed
from nightloom_drivers.star_list import LISTED, LISTED_NAMES, StarList

BLOCK_BYTES = 2880


def write_stars(path: Path, frame: StarList, header: fits.Header) -> None:
    """Write a header that also says what a list tells of its frame, and the stars as a table of
    doubles, to a file that is on the disk when this returns. Raises OSError.
    """
    rows = frame.stars.astype(LISTED.newbyteorder(">")).tobytes()
    data = rows + bytes(-len(rows) % BLOCK_BYTES)
    table = _table_header().copy()
    table["NAXIS2"] = len(frame.stars)
    primary = fits.PrimaryHDU(None, _told_of(frame, header)).header
    with path.open("wb") as file:
        file.write(summed(primary, 0))
        file.write(summed(table, added(0, data)))
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


@lru_cache
def _table_header() -> fits.Header:
    """The header of a table without rows."""
    columns = [fits.Column(name.upper(), "D") for name in LISTED_NAMES]
    return fits.BinTableHDU.from_columns(columns).header


def _told_of(frame: StarList, header: fits.Header) -> fits.Header:
    """A header that also says what a list tells of its frame, before the verdict's places."""
    cards = header.copy()
    for keyword, value, comment in (
        ("FOUND", frame.found, "stars found"),
        ("APNOISE", float(frame.aperture_noise_adu), "[adu] noise of the sky in APERTURE"),
        ("APERTURE", float(frame.aperture_px), "[pix] radius that light is summed in"),
        ("NOISE", float(frame.noise_adu), "[adu] noise of a pixel of the sky"),
        ("SKY", float(frame.sky_adu), "[adu] background, bias included"),
        ("ROWS", frame.shape[0], "[pix] height of the frame"),
        ("COLUMNS", frame.shape[1], "[pix] width of the frame"),
    ):
        cards.insert(0, (keyword, value, comment))
    return cards


def star_list(opened: fits.HDUList) -> StarList:
    """What was written of a frame. Raises LookupError where something is missing."""
    header, table = opened[0].header, opened[1].data
    stars = np.zeros(len(table), LISTED)
    for name in LISTED_NAMES:
        stars[name] = table[name.upper()]
    return StarList(
        (int(header["ROWS"]), int(header["COLUMNS"])),
        stars,
        int(header["FOUND"]),
        float(header["SKY"]),
        float(header["NOISE"]),
        float(header["APERTURE"]),
        float(header["APNOISE"]),
    )
