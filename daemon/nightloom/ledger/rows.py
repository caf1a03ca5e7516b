"""Records to SQLite's rows and back: times as ISO text, lists and maps as JSON."""

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import fields
from datetime import UTC, datetime
from enum import StrEnum
from functools import cache
from numbers import Integral, Real
from typing import TypeVar, get_type_hints

from nightloom.ledger.calibration_frame import CalibrationFrame
from nightloom.ledger.records import (
    Check,
    Curve,
    Duration,
    FocuserBacklash,
    Frame,
    GuideCalibration,
    GuideHotPixels,
    Place,
    PointingMiss,
    Sub,
)

AnyRecord = (
    Frame
    | Sub
    | Curve
    | Check
    | Duration
    | FocuserBacklash
    | GuideCalibration
    | GuideHotPixels
    | PointingMiss
    | Place
    | CalibrationFrame
)
Record = TypeVar("Record", bound=AnyRecord)

Stored = str | int | float | None
"""What a column holds."""


def columns(kind: type[Record]) -> list[str]:
    """Column names of a record, in the order of its fields."""
    return [field.name for field in fields(kind)]


def to_row(record: AnyRecord) -> list[Stored]:
    """A record's values as SQLite takes them, in the order of `columns`."""
    return [stored(getattr(record, field.name)) for field in fields(record)]


def stored(value: object) -> Stored:
    """One value as SQLite takes it; a number that is not finite is no measurement: NULL."""
    match value:
        case datetime():
            return value.astimezone(UTC).isoformat(timespec="microseconds")
        case tuple() | list() | dict():
            return json.dumps(value, allow_nan=False)
        case StrEnum():
            return value.value
        case Integral():  # numpy's integers and bools too, which SQLite does not know
            return int(value)
        case Real():
            return float(value) if math.isfinite(value) else None
        case str() | None:
            return value
    raise TypeError(f"SQLite has no column for {value!r}")


def from_row(kind: type[Record], row: Sequence[object]) -> Record:
    """The record of a row that holds `columns(kind)`."""
    readers = _readers(kind)  # type: ignore[arg-type]  # a class is hashable
    made: Callable[..., Record] = kind
    return made(
        **{name: read(value) for (name, read), value in zip(readers.items(), row, strict=True)}
    )


@cache
def _readers(kind: type[AnyRecord]) -> dict[str, Callable[[object], object]]:
    """How each column is read: enums and truths by their type, others by their name."""
    types = get_type_hints(kind)
    return {
        name: types[name] if _is_itself(types[name]) else _READ.get(name, _as_is)
        for name in columns(kind)
    }


def _is_itself(hint: object) -> bool:
    return isinstance(hint, type) and issubclass(hint, StrEnum | bool)


def _as_is(value: object) -> object:
    return value


def _time(text: object) -> datetime | None:
    return None if text is None else datetime.fromisoformat(str(text))


def _tuple(text: object) -> tuple[object, ...]:
    return tuple(json.loads(str(text)))


def _pairs(text: object) -> tuple[tuple[object, ...], ...]:
    return tuple(tuple(pair) for pair in json.loads(str(text)))


_READ: dict[str, Callable[[object], object]] = {
    "start_utc": _time,
    "begun_utc": _time,
    "taken_utc": _time,
    "measured_utc": _time,
    "positions_steps": _tuple,
    "radii_px": _tuple,
    "exposures_s": _tuple,
    "star_counts": _tuple,
    "places": _pairs,
}
