"""A line of the log for people: the time, what happened, and its fields."""

import json

from rich.text import Text

from nightloom.telemetry.line import FIRST

# Colours that stay readable on dark and on light ground, and beside each other for most kinds of
# colour blindness: blue, ochre and a red that differs from both in brightness as well.
_TIME, _KEY = "grey54", "grey54"
_EVENT = {"info": "bold dodger_blue2", "warning": "bold dark_goldenrod", "error": "bold red3"}
_VALUE = {"info": "", "warning": "", "error": "red3"}


def parse(line: str) -> dict[str, object] | None:
    """The fields of a line, or None when it is no event's."""
    try:
        fields = json.loads(line)
    except ValueError:
        return None
    if not isinstance(fields, dict) or not all(isinstance(fields.get(k), str) for k in FIRST):
        return None
    return fields


def show(fields: dict[str, object]) -> Text:
    """One line of text: time to the second, event, then key=value for each field that has one."""
    level = str(fields["level"])
    line = Text()  # without a style of its own, which would colour all that follows
    line.append(str(fields["utc"])[:19].replace("T", " "), style=_TIME)
    line.append(f"  {str(fields['event']).replace('_', ' '):<18}", style=_EVENT.get(level, "bold"))
    for key, value in fields.items():
        if key not in FIRST and value not in (None, ""):
            line.append(f"  {key}=", style=_KEY)
            line.append(_plain(value), style=_VALUE.get(level, ""))
    return line


def _plain(value: object) -> str:
    match value:
        case str():
            return value
        case float():
            return f"{value:g}" if abs(value) < 1e6 else f"{value:.0f}"
        case list():
            return ",".join(_plain(inner) for inner in value)
        case dict():
            return ",".join(f"{name}:{_plain(inner)}" for name, inner in value.items())
    return json.dumps(value)
