"""The documentation of the log, from the events themselves."""

import inspect
import re
from typing import get_args, get_origin

from nightloom.telemetry import events
from nightloom.telemetry.event import Event
from nightloom.telemetry.words import SAID
from nightloom.units import unit_of

HEAD = """# Every event of the log

Made from the models by `python -m nightloom.reference`; change those, not this. Each line of the
log is one JSON object: `utc`, `level`, `event`, and the fields below. The sentence is what a person
is told; a part of it in square brackets is left out where a field in it has no value.
"""


def all_events() -> list[type[Event]]:
    """Every event class, in the order of `events.py`."""
    return [
        kind
        for kind in vars(events).values()
        if isinstance(kind, type) and issubclass(kind, Event) and kind is not Event
        if not kind.__name__.startswith("_")  # what several events have in common
    ]


def describe_events() -> str:
    """A Markdown section for each event: its name, meaning, sentence, and a table of its fields."""
    return "\n\n".join([HEAD.rstrip(), *map(_section, all_events())]) + "\n"


def _section(kind: type[Event]) -> str:
    rows = [
        f"| `{name}` | {_type(field.annotation)} | {unit_of(name) or ''} | {field.description} |"
        for name, field in kind.model_fields.items()
    ]
    head = ["| field | type | unit | meaning |", "| --- | --- | --- | --- |"]
    parts = [f"### `{kind.name()}` ({kind.level})", str(kind.__doc__), _sentence(kind)]
    return "\n\n".join([*parts, "\n".join([*head, *rows])] if rows else parts)


def _sentence(kind: type[Event]) -> str:
    """What people are told, with the names of the fields where their values stand."""
    template = SAID[kind].template
    if isinstance(template, str):
        plain = re.sub(r"\{(\w+)(:[^}]*)?\}", r"{\1}", template)
        return f"Sentence: “{plain}”"
    return f"Sentence: {inspect.getdoc(template)}"


def _type(annotation: object) -> str:
    parts = get_args(annotation)
    if (collection := get_origin(annotation)) in (list, dict):
        return f"{collection.__name__} of {', '.join(map(_type, parts))}"
    if parts:
        return " or ".join(_type(part) for part in parts)
    return "null" if annotation is type(None) else getattr(annotation, "__name__", str(annotation))
