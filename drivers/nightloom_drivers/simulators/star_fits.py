"""Writing a frame's stars as a FITS file: a header as a picture has it, and a table."""

from collections.abc import Iterable

import numpy as np

from nightloom_drivers.simulators.fits import Card, card, padded, writable
from nightloom_drivers.star_list import LISTED, LISTED_NAMES, StarList


def listed_bytes(frame: StarList, cards: Iterable[Card]) -> bytes:
    """A FITS file without an image, with one binary table of doubles (FITS 4.0, section 7.3)."""
    header = "".join(
        [
            card("SIMPLE", True, "conforms to FITS"),
            card("BITPIX", 8, "no pixels"),
            card("NAXIS", 0, ""),
            card("EXTEND", True, "a table of stars follows"),
            *[card(*one) for one in cards if writable(one[1])],
            *[card(*one) for one in list_cards(frame)],
            "END".ljust(80),
        ]
    )
    stars = frame.stars.view(np.float64).astype(">f8").tobytes()
    table = _TABLE % f"{len(frame.stars):>20}"
    return b"".join(
        [
            padded(header.encode("ascii"), b" "),
            padded(table.encode("ascii"), b" "),
            padded(stars, b"\0"),
        ]
    )


def list_cards(frame: StarList) -> list[Card]:
    """What a list says of its frame beside the stars."""
    return [
        ("COLUMNS", frame.shape[1], "[pixel] width of the frame"),
        ("ROWS", frame.shape[0], "[pixel] height of the frame"),
        ("SKY", float(frame.sky_adu), "[adu] background, bias included"),
        ("NOISE", float(frame.noise_adu), "[adu] noise of a pixel of it"),
        ("APERTURE", float(frame.aperture_px), "[pixel] radius that light is summed in"),
        ("APNOISE", float(frame.aperture_noise_adu), "[adu] noise of the sky in that"),
        ("FOUND", frame.found, "stars found"),
    ]


_TABLE = "".join(
    [
        card("XTENSION", "BINTABLE", "stars"),
        card("BITPIX", 8, ""),
        card("NAXIS", 2, ""),
        card("NAXIS1", LISTED.itemsize, "bytes a star"),
        "NAXIS2  = %s".ljust(62),
        card("PCOUNT", 0, ""),
        card("GCOUNT", 1, ""),
        card("TFIELDS", len(LISTED_NAMES), ""),
        *[
            line
            for number, name in enumerate(LISTED_NAMES, 1)
            for line in (card(f"TTYPE{number}", name.upper(), ""), card(f"TFORM{number}", "D", ""))
        ],
        "END".ljust(80),
    ]
)
"""The table's header, with room for the number of its rows."""
