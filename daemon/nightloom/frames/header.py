"""What a frame's FITS header says.

Dates, XPOSURE, RADESYS, EQUINOX, BUNIT, AIRMASS, the OBSGEO cards and the WCS are those of the
FITS standard 4.0 (https://fits.gsfc.nasa.gov/fits_standard.html). IMAGETYP, FILTER, CCD-TEMP,
XBINNING, XPIXSZ, FOCALLEN, OBJCTRA, SITELAT and SITELONG and their like are common practice, no
source.
FRAMEID, HALFFLUX, STARCNT, VERDICT and those that begin with GUIDE are our own.

A frame goes to disk before it is measured, with room for the cards in JUDGED: VERDICT, which then
says that there is none yet, and before it blank cards, which the standard allows (4.1.2.3).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from operator import itemgetter

import erfa
from astropy.io import fits
from astropy.time import Time
from astropy.wcs import WCS

from nightloom.plain_text import plain_text
from nightloom_drivers.frame_kind import FrameKind

ELLIPSOID = 6378140.0, 1 / 298.2577
"""Equatorial radius in metres and flattening of the IAU (1976) ellipsoid, which the standard has
between OBSGEO-[BLH] and OBSGEO-[XYZ] (its chapter on time; Rots et al. 2015, A&A 574, A36, section
4.1.3). Readers take either, and complain where one is missing or they differ."""


@dataclass(frozen=True, eq=False, kw_only=True)
class HeaderFacts:
    """What is known about a frame; None where it is not, and the card is then left out.

    `started_at` is an aware UTC datetime, positions are ICRS, `ra_deg` and `dec_deg` those of the
    frame's centre, the pixel size includes the binning,
    `pier_side` is "EAST" or "WEST", and `wcs` maps the frame's 0-based pixels.
    """

    kind: FrameKind
    uid: str | None = None
    started_at: datetime | None = None
    exposure_s: float | None = None
    target: str | None = None
    mosaic: str | None = None
    panel: int | None = None
    filter_name: str | None = None
    target_ra_deg: float | None = None
    target_dec_deg: float | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    wcs: WCS | None = None
    camera: str | None = None
    observatory: str | None = None
    telescope: str | None = None
    gain: float | None = None
    offset: float | None = None
    sensor_temperature_c: float | None = None
    sensor_set_point_c: float | None = None
    binning: int | None = None
    pixel_size_um: float | None = None
    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    site_latitude_deg: float | None = None
    site_longitude_deg: float | None = None
    site_elevation_m: float | None = None
    altitude_deg: float | None = None
    airmass: float | None = None
    pier_side: str | None = None
    focuser_position_steps: int | None = None
    focuser_temperature_c: float | None = None
    guide_rms_arcsec: float | None = None
    guide_ra_rms_arcsec: float | None = None
    guide_dec_rms_arcsec: float | None = None
    guide_peak_arcsec: float | None = None
    guide_seeing_arcsec: float | None = None
    half_flux_radius_px: float | None = None
    star_count: int | None = None
    verdict: str | None = None
    software: str | None = None

    @property
    def middle_at(self) -> datetime | None:
        """Half-way through the exposure."""
        return self._after(0.5)

    @property
    def ended_at(self) -> datetime | None:
        """The end of the exposure."""
        return self._after(1.0)

    @property
    def frame_of_reference(self) -> str | None:
        """ICRS when there is a position to say it of."""
        return None if self.ra_deg is None else "ICRS"

    @property
    def equinox(self) -> float | None:
        """J2000, which older readers ask for beside ICRS."""
        return None if self.ra_deg is None else 2000.0

    @property
    def site_geocentric_m(self) -> tuple[float, float, float] | None:
        """The same place from the Earth's centre, over the ellipsoid that the standard gives."""
        latitude, longitude = self.site_latitude_deg, self.site_longitude_deg
        if latitude is None or longitude is None or self.site_elevation_m is None:
            return None
        place = math.radians(longitude), math.radians(latitude), self.site_elevation_m
        x, y, z = erfa.gd2gce(*ELLIPSOID, *place)
        return float(x), float(y), float(z)

    def _after(self, share: float) -> datetime | None:
        if self.started_at is None or self.exposure_s is None:
            return None
        return self.started_at + timedelta(seconds=share * self.exposure_s)


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds")


def _mjd(moment: datetime) -> float:
    return float(Time(moment, scale="utc").mjd)


def _hours(degrees: float) -> str:
    """A right ascension as hours, minutes and seconds."""
    _, (hours, minutes, seconds, part) = erfa.a2tf(2, math.radians(degrees % 360.0))
    return f"{hours:02d} {minutes:02d} {seconds:02d}.{part:02d}"


def _degrees(degrees: float) -> str:
    """A declination as degrees, minutes and seconds."""
    sign, (whole, minutes, seconds, part) = erfa.a2af(1, math.radians(degrees))
    return f"{sign.decode()}{whole:02d} {minutes:02d} {seconds:02d}.{part:d}"


CardValue = str | float
Row = tuple[str, str, Callable[..., CardValue], str]
"""Keyword, the fact it holds, how it is written, and the comment, with its unit in brackets."""

CARDS: tuple[Row, ...] = (
    ("IMAGETYP", "kind", str.upper, "kind of frame"),
    ("FRAMEID", "uid", str, "name of the frame in the ledger"),
    ("OBJECT", "target", str, "target"),
    ("MOSAIC", "mosaic", str, "mosaic of which the target is a panel"),
    ("PANEL", "panel", int, "number of the panel, from 1"),
    ("OBJCTRA", "target_ra_deg", _hours, "[h m s] right ascension of the target"),
    ("OBJCTDEC", "target_dec_deg", _degrees, "[deg m s] declination of the target"),
    ("FILTER", "filter_name", str, "filter"),
    ("DATE-OBS", "started_at", _utc, "start of exposure, UTC"),
    ("DATE-BEG", "started_at", _utc, "start of exposure, UTC"),
    ("DATE-AVG", "middle_at", _utc, "middle of exposure, UTC"),
    ("DATE-END", "ended_at", _utc, "end of exposure, UTC"),
    ("MJD-OBS", "started_at", _mjd, "[d] start of exposure, UTC"),
    ("MJD-BEG", "started_at", _mjd, "[d] start of exposure, UTC"),
    ("MJD-AVG", "middle_at", _mjd, "[d] middle of exposure, UTC"),
    ("MJD-END", "ended_at", _mjd, "[d] end of exposure, UTC"),
    ("EXPTIME", "exposure_s", float, "[s] exposure"),
    ("XPOSURE", "exposure_s", float, "[s] exposure"),
    ("RA", "ra_deg", float, "[deg] right ascension of the frame's centre"),
    ("DEC", "dec_deg", float, "[deg] declination of the frame's centre"),
    ("RADESYS", "frame_of_reference", str, "celestial reference system"),
    ("EQUINOX", "equinox", float, "[yr] equinox of the coordinates"),
    ("ALTITUDE", "altitude_deg", float, "[deg] altitude of the frame's centre"),
    ("AIRMASS", "airmass", float, "airmass"),
    ("PIERSIDE", "pier_side", str.upper, "side of the pier the telescope is on"),
    ("INSTRUME", "camera", str, "camera"),
    ("GAIN", "gain", float, "gain setting of the camera"),
    ("OFFSET", "offset", float, "offset setting of the camera"),
    ("CCD-TEMP", "sensor_temperature_c", float, "[degC] sensor temperature"),
    ("SET-TEMP", "sensor_set_point_c", float, "[degC] sensor temperature asked for"),
    ("XBINNING", "binning", int, "[pix] binning along x"),
    ("YBINNING", "binning", int, "[pix] binning along y"),
    ("XPIXSZ", "pixel_size_um", float, "[um] pixel width, binning included"),
    ("YPIXSZ", "pixel_size_um", float, "[um] pixel height, binning included"),
    ("OBSERVAT", "observatory", str, "observatory"),
    ("TELESCOP", "telescope", str, "telescope"),
    ("FOCALLEN", "focal_length_mm", float, "[mm] focal length"),
    ("APTDIA", "aperture_mm", float, "[mm] aperture"),
    ("FOCUSPOS", "focuser_position_steps", int, "[step] focuser position"),
    ("FOCUSTEM", "focuser_temperature_c", float, "[degC] focuser temperature"),
    ("SITELAT", "site_latitude_deg", float, "[deg] latitude, north positive"),
    ("SITELONG", "site_longitude_deg", float, "[deg] longitude, east positive"),
    ("OBSGEO-B", "site_latitude_deg", float, "[deg] geodetic latitude, north positive"),
    ("OBSGEO-L", "site_longitude_deg", float, "[deg] geodetic longitude, east positive"),
    ("OBSGEO-H", "site_elevation_m", float, "[m] height"),
    ("OBSGEO-X", "site_geocentric_m", itemgetter(0), "[m] towards longitude 0 on the equator"),
    ("OBSGEO-Y", "site_geocentric_m", itemgetter(1), "[m] towards longitude 90 on the equator"),
    ("OBSGEO-Z", "site_geocentric_m", itemgetter(2), "[m] towards the north pole"),
    ("GUIDERMS", "guide_rms_arcsec", float, "[arcsec] rms guide error, both axes"),
    ("GUIDERRA", "guide_ra_rms_arcsec", float, "[arcsec] rms guide error in RA"),
    ("GUIDERDE", "guide_dec_rms_arcsec", float, "[arcsec] rms guide error in declination"),
    ("GUIDEPK", "guide_peak_arcsec", float, "[arcsec] largest guide error"),
    ("GUIDESEE", "guide_seeing_arcsec", float, "[arcsec] part of GUIDERMS made by the air"),
    ("HALFFLUX", "half_flux_radius_px", float, "[pix] radius holding half of a star's flux"),
    ("STARCNT", "star_count", int, "stars found"),
    ("VERDICT", "verdict", str, "what was decided about the frame"),
    ("CREATOR", "software", str, "software that wrote the file"),
)


JUDGED = ("HALFFLUX", "STARCNT", "VERDICT")
"""What is known once a frame has been measured and judged, in the order of their places."""

NOT_JUDGED = "not judged yet"

TEXT_MAX = 68
"""Characters of text, quotes within it doubled, that one card of 80 holds."""


MORE = " ..."
"""Stands where a text that was too long for its card ends."""


def frame_header(facts: HeaderFacts) -> fits.Header:
    """The header of one frame, in the order of CARDS, with its WCS first.

    Text is reduced to ASCII, as the standard asks; numbers that are not finite are left out.
    Raises ValueError when the start of the exposure carries no time zone.
    """
    if facts.started_at is not None and facts.started_at.tzinfo is None:
        raise ValueError(f"started_at {facts.started_at} carries no time zone")
    cards = fits.Header() if facts.wcs is None else _celestial(facts.wcs)
    cards["BUNIT"] = ("adu", "unit of the pixel values")
    cards["TIMESYS"] = ("UTC", "time scale of all dates")
    for keyword, name, written, comment in CARDS:
        value = _value(getattr(facts, name), written)
        if value is not None:
            cards[keyword] = (
                _fitting(value, comment) if isinstance(value, str) else (value, comment)
            )
    return cards


def header_to_judge(facts: HeaderFacts) -> fits.Header:
    """The header of a frame without a verdict, with room for what `judged_cards` gives.

    Raises ValueError as `frame_header` does.
    """
    cards = frame_header(replace(facts, half_flux_radius_px=None, star_count=None, verdict=None))
    for _ in JUDGED[:-1]:
        cards.append(fits.Card(), end=True)
    cards.append(("VERDICT", NOT_JUDGED, "what was decided about the frame"), end=True)
    return cards


def judged_cards(facts: HeaderFacts) -> list[bytes]:
    """The cards of JUDGED, 80 bytes each, blank where the fact is not known.

    A text too long for its card is cut: the ledger has all of it.
    """
    return [_card(row, facts) for row in CARDS if row[0] in JUDGED]


def _card(row: Row, facts: HeaderFacts) -> bytes:
    keyword, name, written, comment = row
    value = _value(getattr(facts, name), written)
    if isinstance(value, str):
        value, comment = _fitting(value, comment)
    card = fits.Card() if value is None else fits.Card(keyword, value, comment)
    return bytes(card.image.encode("ascii"))


def _fitting(text: str, comment: str) -> tuple[str, str]:
    """A text as far as a card holds it, in whole words, and its comment where that fits as well."""
    if _length(text) > TEXT_MAX:
        while _length(text) > TEXT_MAX - len(MORE):
            text = text.rpartition(" ")[0] or text[:-1]
        text += MORE
    fits_too = _length(text) + len(" / ") + len(comment) <= TEXT_MAX
    return text, comment if fits_too else ""


def _length(text: str) -> int:
    """Characters that a text takes in a card."""
    return len(text.replace("'", "''"))


def _value(fact: object, written: Callable[..., CardValue]) -> CardValue | None:
    """A fact as its card takes it; None when it is not known, or no number."""
    if fact is None:
        return None
    value = written(fact)
    if isinstance(value, str):
        return plain_text(value)
    return value if abs(value) < float("inf") else None


def _celestial(wcs: WCS) -> fits.Header:
    cards = wcs.to_header(relax=True)
    for derived in ("MJDREF", "DATE-OBS", "MJD-OBS", "LATPOLE", "LONPOLE"):
        cards.remove(derived, ignore_missing=True)
    return cards
