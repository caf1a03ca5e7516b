"""Headers hold what is known, in the words of the FITS standard, and nothing else."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from astropy.coordinates import EarthLocation
from astropy.io import fits
from astropy.time import Time
from astropy.wcs import WCS
from hypothesis import given
from hypothesis import strategies as st

from frames.example import FACTS
from nightloom.frames.header import HeaderFacts, frame_header, judged_cards
from nightloom_drivers.frame_kind import FrameKind


def test_a_bare_frame_has_a_bare_header() -> None:
    assert set(frame_header(HeaderFacts(kind=FrameKind.BIAS))) == {"IMAGETYP", "BUNIT", "TIMESYS"}


def test_every_fact_has_its_card() -> None:
    cards = frame_header(FACTS)
    assert cards["IMAGETYP"] == "LIGHT"
    assert cards["OBJECT"] == "NGC 7000"
    assert (cards["RA"], cards["DEC"], cards["RADESYS"]) == (314.7, 44.3, "ICRS")
    assert (cards["GAIN"], cards["OFFSET"], cards["CCD-TEMP"]) == (100, 50, -9.8)
    assert (cards["XBINNING"], cards["XPIXSZ"], cards["FOCALLEN"]) == (1, 3.76, 530)
    assert cards.comments["EXPTIME"].startswith("[s]")
    assert len(cards) > 45


def test_the_site_is_where_the_standard_puts_it() -> None:
    """Geodetic degrees and metres, and metres from the Earth's centre (FITS standard 4.0, on time;
    Rots et al. 2015, A&A 574, A36, section 4.1.3).

    Astropy's reader, which warns of any of them that does not fit the others, has nothing to say,
    and its own ellipsoid (WGS 84) puts the place within the few metres that the two differ.
    """
    cards = frame_header(FACTS)
    here = EarthLocation.from_geodetic(8.41, 46.62, 1180.0, ellipsoid="WGS84")
    metres = [cards[f"OBSGEO-{axis}"] for axis in "XYZ"]
    assert metres == pytest.approx([here.x.value, here.y.value, here.z.value], abs=5.0)
    assert [cards[f"OBSGEO-{name}"] for name in "BLH"] == [46.62, 8.41, 1180.0]
    assert WCS(cards).wcs.obsgeo == pytest.approx([*metres, 8.41, 46.62, 1180.0])
    assert (cards["SITELAT"], cards["SITELONG"]) == (46.62, 8.41)
    assert "SITEELEV" not in cards


def test_dates_agree_with_astropy() -> None:
    """Start, middle and end in UTC, also from a start given in another zone."""
    local = datetime(2026, 3, 1, 1, 0, 0, 250000, tzinfo=timezone(timedelta(hours=2)))
    cards = frame_header(HeaderFacts(kind=FrameKind.LIGHT, started_at=local, exposure_s=300.0))
    start = Time("2026-02-28T23:00:00.250", scale="utc")
    assert cards["DATE-OBS"] == cards["DATE-BEG"] == start.isot
    assert cards["MJD-OBS"] == pytest.approx(start.mjd, abs=1e-9)
    assert cards["DATE-AVG"] == "2026-02-28T23:02:30.250"
    assert cards["DATE-END"] == "2026-02-28T23:05:00.250"


def test_a_start_without_a_zone_is_refused() -> None:
    naive = datetime(2026, 3, 1, tzinfo=UTC).replace(tzinfo=None)
    with pytest.raises(ValueError, match="time zone"):
        frame_header(HeaderFacts(kind=FrameKind.LIGHT, started_at=naive))


def test_the_wcs_survives() -> None:
    """A reader of the header puts the same pixels at the same places."""
    assert FACTS.wcs is not None
    read = WCS(frame_header(FACTS))
    pixels = np.array([[0.0, 0.0], [1023, 0], [511.5, 383.5], [0, 767]])
    assert read.all_pix2world(pixels, 0) == pytest.approx(FACTS.wcs.all_pix2world(pixels, 0))


def test_numbers_that_are_not_numbers_are_left_out() -> None:
    cards = frame_header(
        HeaderFacts(kind=FrameKind.LIGHT, half_flux_radius_px=float("nan"), airmass=1.2)
    )
    assert "HALFFLUX" not in cards
    assert cards["AIRMASS"] == 1.2


@given(st.text(max_size=200))
def test_any_target_name_gives_printable_ascii(name: str) -> None:
    cards: fits.Header = frame_header(HeaderFacts(kind=FrameKind.LIGHT, target=name))
    assert all(32 <= byte < 127 for byte in cards.tostring().encode("ascii"))


def test_a_long_verdict_is_cut_at_a_whole_word_without_a_warning() -> None:
    """A card has 80 characters (FITS standard 4.0, section 4.1.1); a warning fails a test here."""
    text = (
        "stars are larger than usual, and then there is more to say about each of them, at length"
    )
    cards = judged_cards(replace(FACTS, verdict=text))
    kept = str(fits.Card.fromstring(cards[-1]).value)
    assert len(cards[-1]) == 80
    assert kept.endswith(" ...")
    assert text.startswith(f"{kept.removesuffix(' ...')} ")
