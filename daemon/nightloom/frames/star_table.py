"""A frame without pixels on disk: its header, and a binary table of its stars."""

import numpy as np
from astropy.io import fits

from nightloom_drivers.star_list import LISTED, LISTED_NAMES, StarList


def told_of(frame: StarList, header: fits.Header) -> fits.Header:
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


def star_table(frame: StarList) -> fits.BinTableHDU:
    """The stars as a table of doubles."""
    columns = [fits.Column(name.upper(), "D", array=frame.stars[name]) for name in LISTED_NAMES]
    return fits.BinTableHDU.from_columns(columns)


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
