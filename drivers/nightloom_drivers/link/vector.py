"""What is heard over a link, as plain records.

A vector is INDI's unit: a named group of elements of one kind with one state. Records are
snapshots; none of them changes after it was made.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class State(StrEnum):
    """INDI's traffic light of a vector; Busy may be permanent (tracking, cooling)."""

    IDLE = "Idle"
    OK = "Ok"
    BUSY = "Busy"
    ALERT = "Alert"


class Kind(StrEnum):
    """The five kinds of INDI vector."""

    NUMBER = "number"
    SWITCH = "switch"
    TEXT = "text"
    LIGHT = "light"
    BLOB = "blob"


Value = float | bool | str
"""A number's float, a switch's bool, a text's str, a light's State (a str); BLOBs carry ''."""


@dataclass(frozen=True, slots=True)
class Vector:
    """One snapshot of an INDI vector.

    `limits` holds (minimum, maximum) for numbers whose driver states them (equal: none), `labels`
    and `formats` what it writes beside them for people, where a unit may stand.
    `serial` counts what the link has heard: a vector with a serial above the one noted when a
    command was sent was heard after that command.
    """

    device: str
    name: str
    kind: Kind
    state: State
    elements: Mapping[str, Value]
    limits: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    writable: bool = True
    serial: int = 0
    labels: Mapping[str, str] = field(default_factory=dict)
    formats: Mapping[str, str] = field(default_factory=dict)

    def heard(self, serial: int) -> "Vector":
        """The same as the link's event of that number."""
        return Vector(
            self.device,
            self.name,
            self.kind,
            self.state,
            self.elements,
            self.limits,
            self.writable,
            serial,
            self.labels,
            self.formats,
        )

    def __getitem__(self, element: str) -> Value:
        return self.elements[element]

    def __contains__(self, element: object) -> bool:
        return element in self.elements

    def number(self, element: str) -> float:
        """The element as a float; NaN when the driver does not have it."""
        return float(self.elements.get(element, "nan"))

    def on(self, element: str) -> bool:
        """Whether the switch is on; False when the driver does not have it."""
        return self.elements.get(element) is True

    def text(self, element: str) -> str:
        """The element as text; empty when the driver does not have it."""
        return str(self.elements.get(element, ""))


@dataclass(frozen=True, slots=True)
class Blob:
    """A binary element as received: `data` has its true length, whatever the driver claimed.

    `format` is INDI's suffix (".fits", ".fits.fz"); decompressing is up to the reader.
    """

    device: str
    element: str
    format: str
    data: bytes | memoryview
    serial: int = 0


@dataclass(frozen=True, slots=True)
class Defined:
    """A driver defined a vector: it is new, or the driver has started anew."""

    vector: Vector


@dataclass(frozen=True, slots=True)
class Updated:
    """A driver sent a vector's state and values."""

    vector: Vector


@dataclass(frozen=True, slots=True)
class Removed:
    """A driver took a vector back; with an empty name, the whole device."""

    device: str
    name: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """A driver's message to people: logged, never parsed. An empty device is the server."""

    device: str
    text: str


@dataclass(frozen=True, slots=True)
class Received:
    """A binary element arrived."""

    blob: Blob


@dataclass(frozen=True, slots=True)
class Lost:
    """The connection is gone and everything known with it."""

    reason: str


@dataclass(frozen=True, slots=True)
class Found:
    """The connection stands; definitions follow."""


Event = Defined | Updated | Removed | Said | Received | Lost | Found
