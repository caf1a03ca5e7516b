"""What libindi holds, copied into plain records while its callback lasts.

Nothing here keeps a PyIndi object: the library changes and frees them between callbacks.
"""

import ctypes
from typing import Any

import PyIndi

from nightloom_drivers.link.channel import memory_of
from nightloom_drivers.link.vector import Kind, State, Value, Vector

_KINDS = {
    PyIndi.INDI_NUMBER: (Kind.NUMBER, PyIndi.PropertyNumber),
    PyIndi.INDI_SWITCH: (Kind.SWITCH, PyIndi.PropertySwitch),
    PyIndi.INDI_TEXT: (Kind.TEXT, PyIndi.PropertyText),
    PyIndi.INDI_LIGHT: (Kind.LIGHT, PyIndi.PropertyLight),
    PyIndi.INDI_BLOB: (Kind.BLOB, PyIndi.PropertyBlob),
}
_STATES = {
    PyIndi.IPS_IDLE: State.IDLE,
    PyIndi.IPS_OK: State.OK,
    PyIndi.IPS_BUSY: State.BUSY,
    PyIndi.IPS_ALERT: State.ALERT,
}


def snapshot(held: PyIndi.Property) -> Vector:
    """A PyIndi property as a vector."""
    kind, cast = _KINDS[held.getType()]
    elements: dict[str, Value] = {}
    limits: dict[str, tuple[float, float]] = {}
    for element in cast(held):
        name = readable(element.getName())
        elements[name] = _value(kind, element)
        if kind is Kind.NUMBER:
            limits[name] = (element.getMin(), element.getMax())
    return Vector(
        readable(held.getDeviceName()),
        readable(held.getName()),
        kind,
        _STATES[held.getState()],
        elements,
        limits,
        writable=kind is not Kind.LIGHT and held.getPermission() != PyIndi.IP_RO,
    )


def take_frames(held: PyIndi.Property) -> list[tuple[str, str, int]]:
    """The frames that came with a BLOB vector: element, format, descriptor of its memory.

    Each is marked as taken: libindi keeps the last frame in its buffer and would show it again
    at the next message that brings only a state.
    """
    frames = []
    for element in PyIndi.PropertyBlob(held):
        received, claimed, suffix = element.getBlobLen(), element.getSize(), element.getFormat()
        if received > 0 and claimed != 0:
            length = true_length(received, claimed, suffix)
            buffer = (ctypes.c_char * length).from_address(int(element.getBlob()))
            frames.append(
                (readable(element.getName()), readable(suffix), memory_of(memoryview(buffer)))
            )
        element.setBlobLen(0)
        element.setSize(0)
    return frames


def true_length(received: int, claimed: int, suffix: str) -> int:
    """Bytes of a frame, from what libindi decoded and what the driver said.

    The driver's number is the uncompressed size for .fz and .z, and with some drivers simply old.
    libindi's is right unless the base64 had line breaks, which inflate it by up to 1 in 32
    (lines are 64 characters or more); FITS files are whole blocks of 2880 bytes (FITS standard 4.0,
    section 3.1).
    """
    compressed = suffix.endswith((".fz", ".z"))
    whole_fits = suffix.endswith(".fits") and received % 2880 == 0
    inflated = 0 < claimed < received <= claimed + claimed / 32 + 6
    return claimed if inflated and not (compressed or whole_fits) else received


def readable(text: str) -> str:
    """Text without lone surrogates; bytes that were not UTF-8 are read as Latin-1."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogateescape").decode("latin-1")
    return text


def _value(kind: Kind, element: Any) -> Value:
    match kind:
        case Kind.NUMBER:
            return float(element.getValue())
        case Kind.SWITCH:
            return bool(element.getState() == PyIndi.ISS_ON)
        case Kind.TEXT:
            return readable(element.getText() or "")
        case Kind.LIGHT:
            return _STATES[element.getState()]
        case Kind.BLOB:
            return ""
