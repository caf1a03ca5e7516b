"""Whatever a camera sends, it is a frame or an error that says why not."""

import contextlib
import io
import zlib

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom_drivers.devices.fits_image import open_image
from nightloom_drivers.simulators.star_fits import listed_bytes
from nightloom_drivers.star_list import LISTED, StarList

CARD = 80


def written(hdu: fits.PrimaryHDU | fits.CompImageHDU) -> bytes:
    """A frame as astropy writes it."""
    buffer = io.BytesIO()
    hdu.writeto(buffer)
    return buffer.getvalue()


PIXELS = np.arange(12 * 10, dtype=np.uint16).reshape(10, 12)
PLAIN = written(fits.PrimaryHDU(PIXELS))
PACKED = written(fits.CompImageHDU(PIXELS))
STARS = listed_bytes(
    StarList((10, 12), np.zeros(3, LISTED), 3, 100.0, 5.0, 4.0, 20.0), [("EXPTIME", 2.0, "[s]")]
)


def card(text: str) -> bytes:
    return text.ljust(CARD).encode()


def opened(suffix: str, data: bytes) -> None:
    """Open and read a frame; pixels have the size that is stated, and nothing but the errors that
    are documented is raised.
    """
    with contextlib.suppress(ValueError, zlib.error):
        image = open_image(suffix, data)
        read = image.read()
        if isinstance(read, np.ndarray):
            assert read.shape == image.size[::-1]
            assert read.dtype == np.uint16
        image.start()
        image.number("EXPTIME")


VALUES = (
    "-1",
    "0",
    "1",
    "2",
    "T",
    "'a'",
    "1E400",
    "-1E400",
    "NaN",
    "9" * 60,
    "1.5",
    "",
    "/",
    "16.0",
)
KEYWORDS = ("SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "BSCALE", "COLUMNS", "ROWS")


@pytest.mark.parametrize("value", VALUES)
@pytest.mark.parametrize("keyword", KEYWORDS)
def test_a_header_that_states_anything(keyword: str, value: str) -> None:
    """In the place of what was stated, and once more before the end."""
    for base in (PLAIN, STARS):
        cards = [base[at : at + CARD] for at in range(0, 2880, CARD)]
        said = [
            card(f"{keyword:8}= {value:>20}") if c[:8] == card(keyword)[:8] else c for c in cards
        ]
        opened(".fits", b"".join(said) + base[2880:])


@pytest.mark.parametrize("value", ["-1", "'a'", "T", "1E400", "NaN", "9" * 20])
def test_a_size_that_is_none_is_named_before_a_frame_is_taken_up(value: str) -> None:
    """A true or false would count as 1."""
    frame = PLAIN.replace(
        card("NAXIS1  =                   12")[:30], f"NAXIS1  = {value:>20}".encode()
    )
    assert frame != PLAIN
    with pytest.raises(ValueError, match="its header states NAXIS1 = "):
        open_image(".fits", frame)


@settings(max_examples=150)
@given(
    base=st.sampled_from(("plain", "packed", "stars", "squeezed")),
    cuts=st.lists(st.tuples(st.integers(0, 9000), st.binary(max_size=8)), max_size=4),
    length=st.integers(0, 12000),
)
def test_a_frame_with_bytes_changed_or_cut_off(
    base: str, cuts: list[tuple[int, bytes]], length: int
) -> None:
    suffix, data = {
        "plain": (".fits", PLAIN),
        "packed": (".fits.fz", PACKED),
        "stars": (".fits", STARS),
        "squeezed": (".fits.z", zlib.compress(PLAIN)),
    }[base]
    for at, noise in cuts:
        data = data[:at] + noise + data[at + len(noise) :]
    opened(suffix, data[:length])


@given(suffix=st.sampled_from((".fits", ".fits.z", ".fits.fz", ".jpg", "")), data=st.binary())
def test_any_bytes(suffix: str, data: bytes) -> None:
    opened(suffix, data)
