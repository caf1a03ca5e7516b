"""What a FITS file holds, by its bytes alone."""

BLOCK = 2880
"""A FITS file is made of blocks of so many bytes (FITS standard 4.0, section 3.1)."""

CARD = 80


def pixels(data: bytes) -> memoryview:
    """The bytes of the first image of 16-bit numbers, or table, in a FITS file.

    Raises ValueError where there is none.
    """
    sizes: dict[bytes, int] = {}
    for at in range(0, len(data), CARD):
        card = data[at : at + CARD]
        if card.startswith((b"NAXIS ", b"NAXIS1 ", b"NAXIS2 ", b"BITPIX ")):
            sizes[card[:6].rstrip()] = int(card[10:].split(b"/")[0])
        if card.rstrip() == b"END" and sizes[b"NAXIS"]:
            begin = -(-(at + CARD) // BLOCK) * BLOCK
            size = sizes[b"NAXIS1"] * sizes[b"NAXIS2"] * abs(sizes[b"BITPIX"]) // 8
            if begin + size > len(data):
                raise ValueError(f"it ends after {len(data)} of {begin + size} bytes")
            return memoryview(data)[begin : begin + size]
    raise ValueError("no header with an image or a table has an end")
