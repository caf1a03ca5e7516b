"""Which lines of the log somebody wants, as they say it in the address."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal, Self

LEVELS = {"info": 0, "warning": 1, "error": 2}

MANY = {"event", "target"}
ONCE = {"from", "level", "live"}
VALUES_MAX = 100
"""Events or targets that may be named."""

OFFSET_DIGITS_MAX = 15


@dataclass(frozen=True, order=True)
class Place:
    """Between two lines of the log: the evening's date, and the bytes of its file before it."""

    night: date
    offset: int = 0

    def __str__(self) -> str:
        return f"{self.night}.{self.offset}"

    @classmethod
    def of(cls, text: str) -> Self:
        """The place that a line's id names. Raises ValueError."""
        night, _, offset = text.partition(".")
        if not (offset.isascii() and offset.isdecimal() and len(offset) <= OFFSET_DIGITS_MAX):
            raise ValueError(text)
        return cls(date.fromisoformat(night), int(offset))


Start = Place | date | Literal["night", "now"]


class BadQuery(Exception):
    """One sentence."""


@dataclass(frozen=True)
class Wanted:
    """Where to begin, what to leave out, and whether to go on with what comes."""

    start: Start = "night"
    level: str = "info"
    events: frozenset[str] = frozenset()
    targets: frozenset[str] = frozenset()
    live: bool = True

    def takes(self, fields: dict[str, object]) -> bool:
        """Whether a line of the log, as its fields, is wanted."""
        return (
            LEVELS.get(str(fields.get("level")), 0) >= LEVELS[self.level]
            and (not self.events or fields.get("event") in self.events)
            and (not self.targets or fields.get("target") in self.targets)
        )


def wanted(query: Iterable[tuple[str, str]], last_id: str | None = None) -> Wanted:
    """What a query asks for; `last_id` is the last line that was had. Raises BadQuery."""
    said: dict[str, list[str]] = {}
    for key, value in query:
        said.setdefault(key, []).append(value)
    for key, values in said.items():
        if key not in MANY | ONCE:
            raise BadQuery(
                f"{key[:40]} is no parameter; known are {', '.join(sorted(MANY | ONCE))}."
            )
        if len(values) > (VALUES_MAX if key in MANY else 1):
            raise BadQuery(f"{key} is given too often.")
    level, live = said.get("level", ["info"])[0], said.get("live", ["yes"])[0]
    if level not in LEVELS:
        raise BadQuery(f"level must be one of {', '.join(LEVELS)}.")
    if live not in ("yes", "no"):
        raise BadQuery("live must be yes or no.")
    return Wanted(
        start=_start(last_id or said.get("from", ["night"])[0]),
        level=level,
        events=frozenset(said.get("event", ())),
        targets=frozenset(said.get("target", ())),
        live=live == "yes",
    )


def _start(text: str) -> Start:
    if text == "night":
        return "night"
    if text == "now":
        return "now"
    try:
        return Place.of(text) if "." in text else date.fromisoformat(text)
    except ValueError:
        raise BadQuery(
            "from must be night, now, the date of an evening (YYYY-MM-DD), or a line's id."
        ) from None
