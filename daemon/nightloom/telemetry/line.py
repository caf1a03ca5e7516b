"""One event as one line: fixed order, steady numbers, nothing that differs between two runs."""

import json
import math
from datetime import UTC, datetime

from structlog.typing import EventDict, WrappedLogger

DECIMALS = {
    "_deg": 5,
    "_arcsec": 3,
    "_px": 3,
    "_s": 3,
    "_c": 2,
    "_adu": 1,
    "_percent": 1,
}
"""Decimals worth keeping, by the unit a field's name ends with. A degree's fifth is 0.04″."""

USUAL_DECIMALS = 4

FIRST = ("utc", "event", "level")
"""Keys that open every line, in this order; the event's own fields follow in its class's."""


def steady(_logger: WrappedLogger, _method: str, fields: EventDict) -> EventDict:
    """Put the opening keys first and round every number (a structlog processor)."""
    rest = {key: value for key, value in fields.items() if key not in FIRST}
    return {key: plain(key, value) for key, value in ({k: fields[k] for k in FIRST} | rest).items()}


def as_json(fields: EventDict, **_: object) -> str:
    """The line itself, for structlog's JSONRenderer."""
    return json.dumps(fields, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


def plain(key: str, value: object) -> object:
    """A value as JSON knows it; a number that is not finite becomes null."""
    match value:
        case float():
            return _rounded(key, value)
        case datetime():
            return utc_text(value)
        case dict():
            return {str(name): plain(key, inner) for name, inner in value.items()}
        case list() | tuple():
            return [plain(key, inner) for inner in value]
    return value


def utc_text(moment: datetime) -> str:
    """ISO 8601 to the millisecond, such as 2026-11-14T21:03:07.250Z."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _rounded(key: str, number: float) -> float | None:
    if not math.isfinite(number):
        return None
    decimals = next((d for end, d in DECIMALS.items() if key.endswith(end)), USUAL_DECIMALS)
    return round(number, decimals) + 0.0  # so that -0.0 reads 0.0
