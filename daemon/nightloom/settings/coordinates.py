"""Coordinates as people write them, turned into degrees of J2000 when they are read."""

import re
import warnings

EQUINOX = re.compile(r"(J(19|20|21)\d\d|B1[89]\d\d)(\.\d+)?")
"""A Julian or Besselian year, such as J2000, J2026.9 and B1950."""

_ANGLES = (("ra", "hourangle", 0, 360), ("dec", "deg", -90, 90))


def with_angles(table: dict[str, object]) -> dict[str, object]:
    """The table with `ra` and `dec` texts as degrees; what does not parse stays as it is."""
    read = dict(table)
    for key, unit, low, high in _ANGLES:
        text = read.get(key)
        degrees = read_angle(text, unit) if isinstance(text, str) else None
        if degrees is not None and low <= degrees <= high and f"{key}_deg" not in read:
            read[f"{key}_deg"] = degrees
            del read[key]
    return read


def in_j2000(table: dict[str, object]) -> dict[str, object]:
    """The table with its coordinates turned to J2000; what cannot be turned stays as it is."""
    equinox, ra_deg, dec_deg = (table.get(key) for key in ("equinox", "ra_deg", "dec_deg"))
    if not (isinstance(equinox, str) and EQUINOX.fullmatch(equinox)) or equinox == "J2000":
        return table
    if not (isinstance(ra_deg, int | float) and isinstance(dec_deg, int | float)):
        return table
    if not (0 <= ra_deg < 360 and -90 <= dec_deg <= 90):
        return table
    ra_deg, dec_deg = of_j2000(ra_deg, dec_deg, equinox)
    return table | {"equinox": "J2000", "ra_deg": ra_deg, "dec_deg": dec_deg}


def read_angle(text: str, unit: str) -> float | None:
    """Degrees of an angle such as "05h35m17s"; None when it is no angle, as with 60 minutes.

    `unit` is that of a text without letters, such as "05:35:17": "hourangle" or "deg".
    """
    # Imported here because it takes longer than all the rest of a command that needs no angle.
    from astropy.coordinates import Angle
    from astropy.units import UnitsError

    with warnings.catch_warnings():
        warnings.simplefilter("error")  # 60 minutes or seconds are a warning, 75 an error
        try:
            return float(Angle(text, unit=unit).deg)
        except (ValueError, UnitsError, Warning):  # what astropy raises derives from these
            return None


def of_j2000(ra_deg: float, dec_deg: float, equinox: str) -> tuple[float, float]:
    """Coordinates of a mean equator and equinox, such as "B1950" or "J2026.9", turned to J2000.

    FK4 for Besselian years, FK5 for Julian ones, by astropy; it needs no tables for either.
    """
    from astropy.coordinates import FK4, FK5, SkyCoord

    frame = (FK4 if equinox.startswith("B") else FK5)(equinox=equinox)
    place = SkyCoord(ra_deg, dec_deg, unit="deg", frame=frame).icrs
    return float(place.ra.deg) % 360.0, float(place.dec.deg)
