"""Lines of TOML with the reasons of the models beside them."""

import json
import re
import textwrap
from collections.abc import Sequence

from pydantic import BaseModel

from nightloom.settings.fields import fields_of
from nightloom.settings.translate import reason_of
from nightloom.units import unit_of

WIDTH = 100

FILL_IN, GUESS = "FILL IN", "GUESS"
"""What a person must write, and what one should look at, as comments say it."""


def quoted(value: object) -> str:
    """A value as TOML has it: texts in quotes, numbers with a point where they have a fraction."""
    if isinstance(value, float):
        return repr(round(value, 6))
    text = json.dumps(value, ensure_ascii=False)  # a list or a text of JSON is one of TOML ...
    return text.replace("\x7f", "\\u007f")  # ... but for this


def key_of(name: str) -> str:
    """A name as a key, in quotes where TOML wants them."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else quoted(name)


def comment(text: str) -> str:
    """A text as a comment of a line or more, whatever odd characters a driver put into it."""
    plain = re.sub(r"[\x00-\x1f\x7f\s]+", " ", text).strip()
    lines = textwrap.wrap(plain, WIDTH - 2, break_long_words=False, break_on_hyphens=False)
    return "\n".join(f"# {line}" for line in lines)


def stated(model: type[BaseModel], key: str, value: object, source: str = "") -> str:
    """A key with its value, and beside it where that is from, or else what the key is."""
    line, remark = f"{key} = {quoted(value)}", comment(source or _reason(model, key))
    one_line = f"{line}  {remark}"
    return one_line if len(one_line) <= WIDTH and "\n" not in remark else f"{remark}\n{line}"


def asked(model: type[BaseModel], key: str, how: str = "") -> str:
    """A key that a person must fill in: commented out, with what belongs there above it."""
    unit = unit_of(key)
    parts = (f"{FILL_IN}: {_reason(model, key)}", f"in {unit}" if unit else "", how)
    return f"{comment(', '.join(part for part in parts if part))}\n# {key} ="


def section(header: str, lines: Sequence[str]) -> str:
    """A table of a file."""
    return "\n".join([header, *lines])


def _reason(model: type[BaseModel], key: str) -> str:
    return reason_of(fields_of(model)[key])
