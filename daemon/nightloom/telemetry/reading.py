"""Lines of a log read back as the events that they were written from."""

import json
from collections.abc import Mapping
from datetime import datetime
from functools import cache

from pydantic import ValidationError

from nightloom.telemetry.describe import all_events
from nightloom.telemetry.event import Event
from nightloom.telemetry.line import FIRST


def parse(line: str) -> dict[str, object] | None:
    """The fields of a line, or None when it is no event's."""
    try:
        fields = json.loads(line)
        if not isinstance(fields, dict) or not all(isinstance(fields.get(k), str) for k in FIRST):
            return None
        datetime.fromisoformat(str(fields["utc"]))
    except ValueError:
        return None
    return fields


def event_of(fields: Mapping[str, object]) -> Event | None:
    """The event of a line's fields.

    None where this version does not know it, or lacks what it needs: another one wrote the log.
    """
    kind = _kinds().get(str(fields["event"]))
    if kind is None:
        return None
    known = {key: value for key, value in fields.items() if key in kind.model_fields}
    try:
        return kind.model_validate(known)
    except ValidationError:
        return None


def utc_of(fields: Mapping[str, object]) -> datetime:
    """When it was logged."""
    return datetime.fromisoformat(str(fields["utc"]))


@cache
def _kinds() -> dict[str, type[Event]]:
    return {kind.name(): kind for kind in all_events()}
