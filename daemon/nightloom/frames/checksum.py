"""Sums of a FITS file: DATASUM of its data, and the CHECKSUM of a header over them.

Source: FITS standard 4.0, section 4.4.2.7 and appendix J
(https://fits.gsfc.nasa.gov/fits_standard.html).
"""

import numpy as np
from astropy.io import fits

ZERO = b"0" * 16
"""What the CHECKSUM card holds while the sum is taken."""

_PUNCTUATION = frozenset(b":;<=>?@[\\]^_`")
_WORD = 0xFFFFFFFF


def added(total: int, blocks: bytes) -> int:
    """The sum of whole blocks and of those before them, as DATASUM gives it."""
    total += int(np.frombuffer(blocks, ">u4").sum(dtype=np.uint64))
    while total > _WORD:  # ones' complement: what is carried out comes in again at the low end
        total = (total & _WORD) + (total >> 32)
    return total


def checksum(header: bytes, datasum: int) -> bytes:
    """The 16 characters that make the whole unit sum to -0, for a header that holds ZERO there.

    `header` is whole blocks of 2880 bytes; `datasum` is the sum that DATASUM gives.
    """
    total = added(datasum, header)
    letters = bytearray(16)
    for place, byte in enumerate((~total & _WORD).to_bytes(4, "big")):
        four = [byte // 4 + ord("0")] * 4
        four[0] += byte % 4
        while any(letter in _PUNCTUATION for letter in four):
            for one, other in ((0, 1), (2, 3)):
                if four[one] in _PUNCTUATION or four[other] in _PUNCTUATION:
                    four[one], four[other] = four[one] + 1, four[other] - 1
        letters[place::4] = bytes(four)
    return bytes(letters[-1:] + letters[:-1])


def summed(header: fits.Header, datasum: int) -> bytes:
    """A header as it is written before data of this sum, with both cards.

    They say no date, so that one frame is one file. Its length does not depend on the sum.
    """
    for keyword, value in (("DATASUM", str(datasum).rjust(10)), ("CHECKSUM", ZERO.decode())):
        header.set(keyword, value, "FITS standard 4.0, section 4.4.2.7")
    blank = bytes(header.tostring().encode("ascii"))
    at = blank.rindex(b"CHECKSUM= '") + len("CHECKSUM= '")
    return blank[:at] + checksum(blank, datasum) + blank[at + len(ZERO) :]
