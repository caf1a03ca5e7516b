"""Reading cameras' frames, checked against astropy, which follows the FITS standard 4.0."""

import io
import zlib

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from nightloom_drivers.devices.fits_image import open_image, read_header


def written(hdu: fits.PrimaryHDU | fits.HDUList) -> bytes:
    buffer = io.BytesIO()
    hdu.writeto(buffer)
    return buffer.getvalue()


def picture() -> NDArray[np.uint16]:
    return np.random.default_rng(3).integers(0, 65536, (37, 53)).astype(np.uint16)


@pytest.mark.parametrize("suffix", [".fits", ".fits.z"])
def test_pixels_and_keywords_are_those_of_astropy(suffix: str) -> None:
    hdu = fits.PrimaryHDU(picture())
    hdu.header.update({"EXPTIME": 2.5, "OBJECT": "it's", "XBINNING": 1, "COOLED": True})
    hdu.header["DATE-OBS"] = "2026-11-14T21:00:00.250"
    hdu.header["COMMENT"] = "a = b"
    data = written(hdu)
    image = open_image(suffix, zlib.compress(data) if suffix.endswith("z") else data)
    assert image.size == (53, 37)
    pixels = np.asarray(image.read())
    assert pixels.dtype == np.uint16
    assert pixels.dtype.isnative
    np.testing.assert_array_equal(pixels, picture())
    expected = {card.keyword: card.value for card in hdu.header.cards if card.keyword != "COMMENT"}
    assert image.header == expected
    start = image.start()
    assert start is not None
    assert start.isoformat() == "2026-11-14T21:00:00.250000+00:00"


def test_a_packed_frame_is_unpacked() -> None:
    packed = fits.CompImageHDU(picture(), compression_type="RICE_1")
    packed.header["EXPTIME"] = 4.0
    image = open_image(".fits.fz", written(fits.HDUList([fits.PrimaryHDU(), packed])))
    assert image.number("EXPTIME") == 4
    assert image.size == (53, 37)
    np.testing.assert_array_equal(image.read(), picture())


@pytest.mark.parametrize("kind", [np.uint8, np.int16])
def test_other_codings_of_counts_are_read(kind: type[np.generic]) -> None:
    counts = np.arange(60).reshape(6, 10)
    image = open_image(".fits", written(fits.PrimaryHDU(counts.astype(kind))))
    np.testing.assert_array_equal(image.read(), counts)


@pytest.mark.parametrize(
    ("suffix", "data"),
    [
        (".fits", b"SIMPLE  =                    T"),
        (".fits", b" " * 10_000),
        (".nef", b"II*"),
        (".fits.fz", b"no packing"),
    ],
)
def test_what_is_no_frame_raises(suffix: str, data: bytes) -> None:
    with pytest.raises(ValueError, match=r"END|no FITS|packing"):
        open_image(suffix, data)


def test_pixels_that_are_no_counts_raise() -> None:
    for odd in (np.ones((4, 4), np.float32), np.ones((3, 4, 4), np.uint16)):
        image = open_image(".fits", written(fits.PrimaryHDU(odd)))
        with pytest.raises(ValueError, match=r"16-bit|axes"):
            image.read()
    cut_short = written(fits.PrimaryHDU(picture()))[:4000]
    with pytest.raises(ValueError, match="buffer"):
        open_image(".fits", cut_short).read()


@given(
    st.one_of(
        st.booleans(),
        st.integers(-(2**31), 2**31),
        st.floats(-1e30, 1e30, allow_subnormal=False),
        st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60),
    )
)
def test_any_value_that_astropy_writes_is_read_as_astropy_reads_it(
    value: bool | int | float | str,
) -> None:
    hdu = fits.PrimaryHDU()
    hdu.header["ANY"] = (value, "x")
    data = written(hdu)
    header, end = read_header(data)
    assert end == len(data)
    assert header["ANY"] == fits.Header.fromstring(data[:end].decode("ascii"))["ANY"]
