"""An event's fields as plain text, for people."""

import json

from nightloom.telemetry.event import Event


def words(event: Event) -> str:
    """What an event says besides its name: each field that has a value."""
    return ", ".join(
        f"{key.replace('_', ' ')}: {plain(value)}"
        for key, value in event.fields().items()
        if value not in (None, "")
    )


def plain(value: object) -> str:
    """A field's value as text."""
    match value:
        case str():
            return value
        case float():
            return f"{value:g}" if abs(value) < 1e6 else f"{value:.0f}"
        case list():
            return ",".join(plain(inner) for inner in value)
        case dict():
            return ",".join(f"{name}:{plain(inner)}" for name, inner in value.items())
    return json.dumps(value, default=str)
