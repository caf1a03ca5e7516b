"""Figures as people read them: rounded to what they mean, each with its unit.

A template is text with `{field:unit}` in it, `unit` being one of UNITS; a part in square brackets
is left out when a field in it has no value.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo

_FIELD = re.compile(r"\{(\w+)(?::([^}]*))?\}")
_PART = re.compile(r"\[([^\]]*)\]")
_INDI_NAME = re.compile(r"\b[A-Z][A-Z0-9]*(?:_[A-Z0-9]+)+\b")

NOUN = "+"
"""A unit that begins so is a noun: `{stars:+star}` is 1 star, or 12 stars."""

EMPTY: tuple[object, ...] = (None, "", [], {})


def fill(template: str, fields: Mapping[str, object], zone: tzinfo | None = None) -> str:
    """A template with its figures; times are UTC, and say so, unless a zone is given.

    Raises KeyError for a field or a unit that is none.
    """

    def part(match: re.Match[str]) -> str:
        names = [name for name, _ in _FIELD.findall(match[1])]
        return "" if any(fields[name] in EMPTY for name in names) else match[1]

    def figure(match: re.Match[str]) -> str:
        return written(fields[match[1]], match[2] or "", zone)

    return _FIELD.sub(figure, _PART.sub(part, template))


def written(value: object, unit: str = "", zone: tzinfo | None = None) -> str:
    """One value with its unit."""
    match value:
        case None:
            return "unknown"
        case str():
            return NAMES[unit](value) if unit else readable(value)
        case datetime():
            return _clock(value, zone)
        case list():
            return "; ".join(written(one, unit, zone) for one in value)
        case dict():
            return ", ".join(f"{name} {written(one, unit, zone)}" for name, one in value.items())
        case int() | float():
            return counted(round(value), unit[1:]) if unit[:1] == NOUN else _number(value, unit)
    raise TypeError(f"no figure: {value!r}")


def readable(text: str) -> str:
    """A text of the log with INDI's names in small letters: WEATHER_RAIN_HOUR is rain hour.

    And 5% as 5 %.
    """

    def lowered(match: re.Match[str]) -> str:
        return match[0].removeprefix("WEATHER_").replace("_", " ").lower()

    return re.sub(r"(\d)%", r"\1 %", _INDI_NAME.sub(lowered, text))


def duration(seconds: float) -> str:
    """How long something took, by what matters: 2.5 s, 48 s, 12 min, 3 h 20 min."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 119.5:
        return f"{seconds:.0f} s"
    hours, minutes = divmod(round(seconds / 60), 60)
    if hours < 2:
        return f"{60 * hours + minutes} min"
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def counted(number: int, noun: str) -> str:
    """So many of something."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


@dataclass(frozen=True)
class _Unit:
    decimals: int
    sign: str = ""
    factor: float = 1.0
    signed: bool = False

    def __call__(self, value: float) -> str:
        number = round(value * self.factor, self.decimals) + 0.0  # so that -0.0 reads 0
        text = f"{number:{'+' if self.signed else ''}.{self.decimals}f}{self.sign}"
        return text.replace("-", "−")


def _angle(arcsec: float) -> str:
    """As seconds of arc where that is a small figure, else as minutes."""
    if abs(arcsec) < 9.995:
        return f"{arcsec:.2f}″"
    return f"{arcsec:.0f}″" if abs(arcsec) < 120.0 else f"{arcsec / 60:.1f}′"


def _right_ascension(degrees: float) -> str:
    hours, minutes = divmod(round(degrees * 4 * 10) / 10, 60)
    return f"{hours:.0f} h {minutes:.1f} min"


def _declination(degrees: float) -> str:
    whole, minutes = divmod(round(abs(degrees) * 60), 60)
    return f"{'−' if degrees < 0 else '+'}{whole}° {minutes}′"


def _seconds(seconds: float) -> str:
    return f"{round(seconds, 1):g} s"


def _light(part: float) -> str:
    """Part of a clear sky's light: what is above all of it is the error of the measurement."""
    return f"{min(part, 1.0):.0%}".replace("%", " %")


UNITS: dict[str, Callable[[float], str]] = {
    "s": _seconds,
    "time": duration,
    "min": _Unit(0, " min"),
    "arcsec": _angle,
    "arcsec_s": _Unit(1, "″/s"),
    "arcsec_px": _Unit(2, "″/px"),
    "deg": _Unit(1, "°"),
    "ra": _right_ascension,
    "dec": _declination,
    "mb": _Unit(1, " MB"),
    "px": _Unit(2, " px"),
    "steps": _Unit(0, " steps"),
    "move": _Unit(0, " steps", signed=True),
    "steps_c": _Unit(1, " steps/°C", signed=True),
    "c": _Unit(1, " °C"),
    "adu": _Unit(0, " ADU"),
    "percent": _Unit(0, " %"),
    "share": _Unit(0, " %", 100.0),
    "light": _light,
    "mag": _Unit(2, " mag"),
    "ratio": _Unit(0),
    "number": _Unit(0),
    "times": _Unit(1, " times"),
}
"""How a number is written, by the unit that a template names."""


def _number(value: float, unit: str) -> str:
    return UNITS[unit](value)


def _clock(utc: datetime, zone: tzinfo | None) -> str:
    return f"{utc.astimezone(UTC):%H:%M} UTC" if zone is None else f"{utc.astimezone(zone):%H:%M}"


def _night(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day.day} {day:%B %Y}"


def _name(text: str) -> str:
    return text.replace("_", " ")


def _number_of(uid: str) -> str:
    """A frame by its number in its night."""
    return f"number {uid.rpartition('-')[2].lstrip('0')}"


NAMES: dict[str, Callable[[str], str]] = {
    "night": _night,
    "name": _name,
    "uid": _number_of,
}
"""How a text is written that is a date or a name of our own."""
