"""What the last words of a name say about its number: the units of settings and of events."""

UNITS = {
    "arcsec": "arcseconds",
    "arcmin": "arcminutes",
    "percent": "percent",
    "zones": "critical focus zones",
    "steps": "focuser steps",
    "hours": "hours",
    "deg": "degrees",
    "adu": "ADU",
    "mag": "magnitudes",
    "hpa": "hectopascals",
    "mm": "millimetres",
    "um": "micrometres",
    "nm": "nanometres",
    "ms": "milliseconds",
    "mb": "megabytes",
    "px": "pixels",
    "m": "metres",
    "s": "seconds",
    "h": "hours",
    "c": "degrees Celsius",
    "d": "days",
    "e": "electrons",
}
"""By the last word of a name."""

EACH = {
    "c": "a degree Celsius",
    "min": "a minute",
    "s": "a second",
    "h": "an hour",
    "px": "a pixel",
    "adu": "an ADU",
    "slot": "a slot",
    "airmass": "an airmass",
    "arcsec2": "a square arcsecond",
}
"""By the word behind the last `per` of a name."""


def unit_of(name: str) -> str | None:
    """The unit that a name's end stands for, in words; None when it has none."""
    of, per, each = name.rpartition("_per_")
    if per:
        unit = UNITS.get(of.rpartition("_")[2])
        return f"{unit} {EACH[each]}" if unit and each in EACH else None
    return UNITS.get(name.rpartition("_")[2]) if "_" in name else None
