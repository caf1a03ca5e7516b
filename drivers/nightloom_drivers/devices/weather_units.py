"""Units of weather parameters: how settings name them, and how stations spell them."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from nightloom_drivers.link.vector import Vector

UNITS: Mapping[str, tuple[str, ...]] = {
    "c": ("°C", "C", "degC", "Celsius"),
    "f": ("°F", "F", "degF", "Fahrenheit"),
    "k": ("K", "Kelvin"),
    "percent": ("%", "percent", "%RH", "RH%"),
    "km_h": ("km/h", "kph", "kmh", "kmph", "km/hr"),
    "m_s": ("m/s", "mps", "m/sec"),
    "kn": ("kn", "kt", "kts", "knot", "knots"),
    "mph": ("mph", "mi/h", "miles/h"),
    "mm_h": ("mm/h", "mm/hr", "mm/hour"),
    "in_h": ("in/h", "in/hr", "inch/h"),
    "mm": ("mm",),
    "in": ("in", "inch", "inches"),
    "hpa": ("hPa", "mbar", "mb"),
    "inhg": ("inHg",),
    "mag_arcsec2": ("mag/arcsec²", "mag/arcsec2", "mag/arcsec^2", "mpsas"),
    "lux": ("lux", "lx"),
    "w_m2": ("W/m²", "W/m2", "W/m^2"),
    "v": ("V", "volt", "volts"),
    "deg": ("°", "deg", "degrees"),
    "m": ("m", "metres", "meters"),
    "km": ("km",),
}
"""The last word of a settings key, and what drivers write for it; the first is for people."""

_KEYS = {spelled.casefold(): key for key, spellings in UNITS.items() for spelled in spellings}
_CONVERSION = re.compile(r"%[-+ #0]*[0-9.]*[a-zA-Z]")
_BRACKETED = re.compile(r"[(\[]([^()\[\]]*)[)\]]")


@dataclass(frozen=True)
class Limit:
    """The lowest and the highest safe value, None for no limit, in a unit of `UNITS`.

    An empty unit is that of a plain number, such as a forecast's code.
    """

    lowest: float | None
    highest: float | None
    unit: str = ""

    @property
    def is_a_range(self) -> bool:
        """Whether any value can be safe."""
        return self.lowest is None or self.highest is None or self.lowest <= self.highest

    def broken_by(self, value: float) -> str:
        """Which end the value is beyond, as text for people, or nothing."""
        if self.lowest is not None and value < self.lowest:
            return f"{quantity(value, self.unit)} is below {quantity(self.lowest, self.unit)}"
        if self.highest is not None and value > self.highest:
            return f"{quantity(value, self.unit)} is above {quantity(self.highest, self.unit)}"
        return ""

    def unfit_for(self, parameters: Vector, name: str) -> str:
        """Why it cannot be held against a station's parameter, or nothing.

        A unit that the station does not state is taken to be the limit's.
        """
        if name not in parameters:
            return "has a limit and is not measured"
        stated = stated_unit(parameters.labels.get(name, ""), parameters.formats.get(name, ""))
        if stated is None or stated == self.unit:
            return ""
        ours = f"in {UNITS[self.unit][0]}" if self.unit else "without a unit"
        return f"is measured in {UNITS[stated][0]} and its limit is {ours}"


def quantity(value: float, unit: str) -> str:
    """A number and its unit as text for people."""
    return f"{value:g} {UNITS[unit][0]}" if unit else f"{value:g}"


def stated_unit(label: str, number_format: str = "") -> str | None:
    """The unit that a driver writes beside a number, as a key of `UNITS`; None where it does not.

    It stands in brackets in the label or at its end, or behind the number in the format.
    """
    bracketed = _BRACKETED.findall(label)
    last = label.split()[-1:]
    behind = _CONVERSION.sub("", number_format.replace("%%", "percent"))
    # A single letter at the end of a label may be anything.
    said = [*bracketed, behind, *(word for word in last if len(word) > 1 or word == "%")]
    keys = (_KEYS.get(words.strip().casefold()) for words in said)
    return next((key for key in keys if key is not None), None)
