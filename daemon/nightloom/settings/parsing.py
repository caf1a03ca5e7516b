"""One file of TOML as a table, or what is wrong with its text and how to mend it."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

MARKS = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")
"""Byte order marks, of UTF-8 and UTF-16."""

_AT = re.compile(r" \(at line (\d+), column \d+\)$")
_DECIMAL_COMMA = re.compile(r"=\s*([+-]?\d+),(\d+)\s*(#.*)?$")
_UNQUOTED = re.compile(r"=\s*((?:[^\W\d]|[~/])[^\"'#\[\]{}=,]*?)\s*(#.*)?$")


class Unreadable(Exception):
    """A file that is no table; `place` in it, empty for the whole, and what is wrong there."""

    def __init__(self, place: str, wrong: str) -> None:
        super().__init__(place, wrong)
        self.place, self.wrong = place, wrong


def table_in(file: Path) -> dict[str, object]:
    """What a file holds. Raises Unreadable."""
    text = _text_in(file)
    try:
        table = tomllib.loads(text)
    except RecursionError:
        raise Unreadable("", "is not valid TOML: it nests too deep") from None
    except ValueError as error:  # TOMLDecodeError, and a number of thousands of digits
        raise Unreadable(*_slip(text, str(error))) from error
    if any(not -(2**63) <= number < 2**63 for number in _whole_numbers(table)):
        raise Unreadable("", "holds a whole number that is too long, of more than 64 bits")
    return table


def _whole_numbers(value: object) -> Iterator[int]:
    """Every whole number in a table or list; TOML 1.0 asks for those of 64 bits."""
    match value:
        case dict():
            for inner in value.values():
                yield from _whole_numbers(inner)
        case list():
            for inner in value:
                yield from _whole_numbers(inner)
        case int():
            yield value


def _text_in(file: Path) -> str:
    try:
        data = file.read_bytes()
    except FileNotFoundError:
        raise Unreadable("", f"is missing in {file.parent}") from None
    except OSError as error:
        raise Unreadable("", f"cannot be read: {error.strerror}") from error
    if data.startswith(MARKS):
        raise Unreadable("", "begins with a byte order mark; save it as plain UTF-8, without one")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        wrong = "holds a byte that is not UTF-8 text; save the file as UTF-8"
        raise Unreadable(f"line {line}", wrong) from None


def _slip(text: str, error: str) -> tuple[str, str]:
    """Where the text is no TOML, and why, with the mend where it is a common slip."""
    at = _AT.search(error)
    why = error.removesuffix(at[0] if at else "")
    why = f"{why[:1].lower()}{why[1:]}"
    if at is None:
        return "", f"is not valid TOML: {why}"
    line = text.split("\n")[int(at[1]) - 1].strip()
    if (comma := _DECIMAL_COMMA.search(line)) is not None:
        why = f"a number has a point, as in {comma[1]}.{comma[2]}"
    elif (bare := _UNQUOTED.search(line)) is not None:
        why = f'text stands in quotes, as in "{bare[1]}"'
    shown = line if len(line) <= 60 else f"{line[:57]}..."
    return f"line {at[1]}", f"is not valid TOML: {shown!r}; {why}"
