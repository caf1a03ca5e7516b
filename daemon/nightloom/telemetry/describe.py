"""The documentation of the log, from the events themselves."""

from typing import get_args, get_origin

from nightloom.telemetry import events
from nightloom.telemetry.event import Event


def all_events() -> list[type[Event]]:
    """Every event class, in the order of `events.py`."""
    return [
        kind
        for kind in vars(events).values()
        if isinstance(kind, type) and issubclass(kind, Event) and kind is not Event
        if not kind.__name__.startswith("_")  # what several events have in common
    ]


def describe_events() -> str:
    """A Markdown section for each event: its name, its meaning, and a table of its fields."""
    return "\n\n".join(_section(kind) for kind in all_events()) + "\n"


def _section(kind: type[Event]) -> str:
    rows = [
        f"| `{name}` | {_type(field.annotation)} | {field.description} |"
        for name, field in kind.model_fields.items()
    ]
    table = "\n".join(["| field | type | meaning |", "|---|---|---|", *rows]) if rows else ""
    return f"### `{kind.name()}` ({kind.level})\n\n{kind.__doc__}\n\n{table}".rstrip()


def _type(annotation: object) -> str:
    parts = get_args(annotation)
    if (collection := get_origin(annotation)) in (list, dict):
        return f"{collection.__name__} of {', '.join(map(_type, parts))}"
    if parts:
        return " or ".join(_type(part) for part in parts)
    return "null" if annotation is type(None) else getattr(annotation, "__name__", str(annotation))
