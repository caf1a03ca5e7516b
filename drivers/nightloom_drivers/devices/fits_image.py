"""Frames as cameras send them: FITS, packed or not.

A guide camera sends ten thousand frames a night, so plain FITS is read here, with no more than
cameras write (FITS standard 4.0, sections 3, 4.1, 4.2 and 5.2); packed frames go through astropy.
"""

import io
import math
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.memory_file import zeros
from nightloom_drivers.star_list import LISTED, LISTED_NAMES, StarList

Pixels = NDArray[np.uint16]
CardValue = str | int | float | bool

CARD, BLOCK = 80, 2880
LIST_KEYWORDS = ("SKY", "NOISE", "APERTURE", "APNOISE", "FOUND", "COLUMNS", "ROWS")
"""What the header of a frame without pixels says of it."""

HEADER_MAX = 100 * BLOCK
"""Drivers write one or two blocks; without this, a broken frame would be searched to its end."""

COUNT_MAX = 10**8
"""No sensor has more pixels along one side, and no list more stars."""

UNSIGNED_ZERO = 32768

_CODED = {(16, UNSIGNED_ZERO, 1): ">u2", (16, 0, 1): ">i2", (8, 0, 1): "u1"}
"""How numbers lie in the file, by BITPIX, BZERO and BSCALE."""


@dataclass(frozen=True)
class FitsImage:
    """A frame whose header has been read and whose pixels have not.

    `read` returns the pixels, (height, width), row 0 the first one sent, in native byte order, or
    the stars of a frame that has none; it raises ValueError when it is neither that nor a 16-bit
    image.
    """

    header: Mapping[str, CardValue]
    read: Callable[[], Pixels | StarList]

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels, as the header states them."""
        listed = self.header.get("NAXIS") == 0
        width, height = ("COLUMNS", "ROWS") if listed else ("NAXIS1", "NAXIS2")
        return _count(self.header, width), _count(self.header, height)

    def number(self, keyword: str) -> float | None:
        """A keyword's number, or None."""
        value = self.header.get(keyword)
        return None if value is None or isinstance(value, (str, bool)) else float(value)

    def start(self) -> datetime | None:
        """DATE-OBS, the start of the exposure in UTC, or None."""
        try:
            return datetime.fromisoformat(str(self.header.get("DATE-OBS"))).replace(tzinfo=UTC)
        except ValueError:
            return None


def open_image(suffix: str, data: bytes | memoryview) -> FitsImage:
    """Read the header of a frame sent with INDI's format suffix; its size is known then.

    Raises ValueError, zlib.error.
    """
    image = _opened(suffix, data)
    _ = image.size
    return image


def _opened(suffix: str, data: bytes | memoryview) -> FitsImage:
    if suffix.endswith(".z"):
        return _opened(suffix.removesuffix(".z"), zlib.decompress(data))
    if suffix.endswith(".fz"):
        return _open_packed(data)
    if suffix not in (".fits", ".fit"):
        raise ValueError(f"a {suffix or 'nameless'} frame is no FITS")
    header, end = read_header(data)
    if header.get("NAXIS") == 0:
        return FitsImage(header, lambda: read_stars(header, data, end))
    return FitsImage(header, lambda: _pixels(header, data, end))


def read_header(data: bytes | memoryview) -> tuple[dict[str, CardValue], int]:
    """The keywords with a value, and where the header's last block ends.

    Commentary and long-string continuations are left out. Raises ValueError without an END.
    """
    text = bytes(data[:HEADER_MAX]).decode("latin-1")
    header: dict[str, CardValue] = {}
    for at in range(0, len(text), CARD):
        card = text[at : at + CARD]
        if card[8:10] == "= ":
            header[card[:8].rstrip()] = _value(card[10:].strip())
        elif card[:8] == "END     " or card == "END":
            return header, -(-(at + CARD) // BLOCK) * BLOCK
    raise ValueError("its header has no END")


@lru_cache(maxsize=512)
def _value(text: str) -> CardValue:
    if text.startswith("'"):
        return _string(text)
    word = text.partition("/")[0].strip()
    if word in ("T", "F"):
        return word == "T"
    try:
        return int(word)
    except ValueError:
        pass
    try:
        return float(word.replace("D", "E"))
    except ValueError:
        return word


def _string(text: str) -> str:
    """A quoted string: two quotes inside stand for one, blanks at the end count nothing."""
    end = text.find("'", 1)
    while end >= 0 and text[end + 1 : end + 2] == "'":
        end = text.find("'", end + 2)
    inside = text[1:end] if end >= 0 else text[1:]
    return inside.replace("''", "'").rstrip()


def _count(header: Mapping[str, CardValue], keyword: str) -> int:
    """How many there are of something. Raises ValueError where a header states no such number."""
    value = header.get(keyword, 0)
    number = math.nan if isinstance(value, (str, bool)) else float(value)
    if not 0 <= number <= COUNT_MAX:  # nor NaN
        raise ValueError(f"its header states {keyword} = {value!r}")
    count = int(number)
    return count


def _pixels(header: Mapping[str, CardValue], data: bytes | memoryview, start: int) -> Pixels:
    if header.get("NAXIS") != 2:
        raise ValueError(f"an image of {header.get('NAXIS')} axes is not one of a mono camera")
    width, height = _count(header, "NAXIS1"), _count(header, "NAXIS2")
    coding = header.get("BITPIX"), header.get("BZERO", 0), header.get("BSCALE", 1)
    if coding not in _CODED:
        raise ValueError(f"pixels coded as BITPIX, BZERO, BSCALE = {coding} are not 16-bit counts")
    raw = np.frombuffer(data, _CODED[coding], width * height, start)
    pixels = zeros((height, width), np.uint16)
    counts = pixels.reshape(-1)
    if coding == (16, UNSIGNED_ZERO, 1):
        # 32768 taken off an unsigned number flips its highest bit, and nothing else.
        np.bitwise_xor(raw, np.uint16(UNSIGNED_ZERO), out=counts)
    elif coding == (16, 0, 1):
        np.maximum(raw, 0, out=counts, casting="unsafe")
    else:
        counts[:] = raw
    return pixels


def _open_packed(data: bytes | memoryview) -> FitsImage:
    """A tile-compressed image (FITS standard 4.0, section 10), as drivers' `.fits.fz`."""
    from astropy.io import fits  # Takes 0.3 s to import, and few cameras pack their frames.

    def image(hdus: fits.HDUList) -> fits.CompImageHDU:
        return next(hdu for hdu in hdus if isinstance(hdu, fits.CompImageHDU))

    def read() -> Pixels:
        with _unpacking(), fits.open(io.BytesIO(data)) as hdus:
            return np.ascontiguousarray(image(hdus).data, dtype=np.uint16)

    with _unpacking(), fits.open(io.BytesIO(data)) as hdus:
        cards = image(hdus).header.cards
        header = {card.keyword: card.value for card in cards if card.value is not None}
    return FitsImage(header, read)


@contextmanager
def _unpacking() -> Iterator[None]:
    """Astropy raises whatever its parts raise, for a broken frame. Raises ValueError."""
    try:
        yield
    except Exception as error:
        raise ValueError(f"its packing cannot be read: {error or type(error).__name__}") from error


def read_stars(header: Mapping[str, CardValue], data: bytes | memoryview, start: int) -> StarList:
    """The stars of a frame that has no pixels: a table of doubles after its header.

    Raises ValueError when there is no such table.
    """
    count = _rows(bytes(data[start : start + BLOCK]))
    numbers = np.frombuffer(data, ">f8", count * len(LISTED_NAMES), start + BLOCK)
    said = [header.get(keyword) for keyword in LIST_KEYWORDS]
    known = [float(value) for value in said if isinstance(value, (int, float))]
    if len(known) < len(said):
        raise ValueError(f"a table of stars needs {', '.join(LIST_KEYWORDS)}")
    sky, noise, aperture, aperture_noise = known[:4]
    stars = numbers.astype(np.float64).view(LISTED)
    found, columns, rows = (_count(header, keyword) for keyword in LIST_KEYWORDS[4:])
    return StarList((rows, columns), stars, found, sky, noise, aperture, aperture_noise)


@lru_cache
def _rows(block: bytes) -> int:
    """How many stars a table has, by its header of one block. Raises ValueError for another one."""
    table, _ = read_header(block)
    named = [table.get(f"TTYPE{number}") for number in range(1, len(LISTED_NAMES) + 1)]
    if table.get("XTENSION") != "BINTABLE" or named != [name.upper() for name in LISTED_NAMES]:
        raise ValueError("it has neither pixels nor a table of stars")
    return _count(table, "NAXIS2")
