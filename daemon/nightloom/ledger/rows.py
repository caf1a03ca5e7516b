"""Records to SQLite's rows and back: times as ISO text, lists and maps as JSON."""

import json
import math
from collections.abc import Callable
from dataclasses import fields
from datetime import UTC, datetime
from enum import StrEnum
from functools import cache
from numbers import Integral, Real
from typing import Any, TypeVar, get_type_hints

from nightloom.ledger.records import (
    Check,
    Curve,
    Duration,
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
    | GuideCalibration
    | GuideHotPixels
    | PointingMiss
    | Place
)
Record = TypeVar("Record", bound=AnyRecord)


def columns(kind: type[Record]) -> list[str]:
    """Column names of a record, in the order of its fields."""
    return [field.name for field in fields(kind)]


def to_row(record: AnyRecord) -> list[Any]:
    """A record's values as SQLite takes them, in the order of `columns`."""
    return [stored(getattr(record, field.name)) for field in fields(record)]


def stored(value: Any) -> Any:
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
    return value


def from_row(kind: type[Record], row: tuple[Any, ...]) -> Record:
    """The record of a row that holds `columns(kind)`."""
    readers = _readers(kind)  # type: ignore[arg-type]  # a class is hashable
    return kind(
        **{name: read(value) for (name, read), value in zip(readers.items(), row, strict=True)}
    )


@cache
def _readers(kind: type[AnyRecord]) -> dict[str, Callable[[Any], Any]]:
    """How each column is read: enums and truths by their type, others by their name."""
    types = get_type_hints(kind)
    return {
        name: types[name] if _is_itself(types[name]) else _READ.get(name, _as_is)
        for name in columns(kind)
    }


def _is_itself(hint: Any) -> bool:
    return isinstance(hint, type) and issubclass(hint, StrEnum | bool)


def _as_is(value: Any) -> Any:
    return value


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _tuple(text: str) -> tuple[Any, ...]:
    return tuple(json.loads(text))


def _pairs(text: str) -> tuple[tuple[Any, ...], ...]:
    return tuple(tuple(pair) for pair in json.loads(text))


_READ: dict[str, Callable[[Any], Any]] = {
    "start_utc": _time,
    "begun_utc": _time,
    "taken_utc": datetime.fromisoformat,
    "measured_utc": datetime.fromisoformat,
    "positions_steps": _tuple,
    "radii_px": _tuple,
    "exposures_s": _tuple,
    "star_counts": _tuple,
    "places": _pairs,
}
