"""File names of frames, from a pattern in the settings.

A pattern is a Python format string over the fields of NameFacts, with / between folders, such as
"{night}/{target}/{target}_{number:04d}_{filter}_{exposure_s:g}s_{utc:%Y%m%dT%H%M%S}".
The ending is always .fits and need not be written.
"""

import re
import string
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields
from datetime import UTC, date, datetime, timedelta
from itertools import combinations, product
from pathlib import PurePosixPath
from zlib import crc32

from nightloom.plain_text import plain_text
from nightloom_drivers.frame_kind import FrameKind

SUFFIX = ".fits"
# A folder's or file's name may be 255 bytes long on all common file systems; the rest is for the
# ending and for what is put around a name while its file is being written.
PART_BYTES_MAX = 235


@dataclass(frozen=True)
class NameFacts:
    """What a name can be made of; `night` is the date of its evening, `number` counts frames."""

    target: str
    filter: str
    kind: FrameKind
    exposure_s: float
    utc: datetime
    night: date
    number: int


FIELDS = tuple(field.name for field in fields(NameFacts))

_EVENING = date(2026, 1, 2)

_LATER = tuple(
    date(*day) for day in ((2026, 1, 3), (2026, 1, 9), (2026, 2, 2), (2027, 1, 2), (2036, 1, 2))
)
"""Evenings that share something with the first: the next, the weekday, the day, the date."""

_HOURS = (20.0, 23.9, 25.0, 29.5)
"""Hours after the evening's midnight: a number may fall before midnight in one night, and after it
in another."""

_NUMBERS = (1, 2, 9, 10, 11, 99, 100, 101, 1000, 1001, 10000, 10001)


def _frame(night: date, number: int, hour: float) -> NameFacts:
    midnight = datetime(night.year, night.month, night.day, tzinfo=UTC)
    return NameFacts(
        "M 31", "L", FrameKind.LIGHT, 0.5, midnight + timedelta(hours=hour), night, number
    )


def _apart() -> Iterator[tuple[NameFacts, NameFacts]]:
    """Pairs of frames that a pattern must tell apart; those of one night begin a second apart."""
    tonight = [_frame(_EVENING, n, _HOURS[0] + n / 3600.0) for n in _NUMBERS]
    yield from combinations(tonight, 2)
    for night, hour, later in product(_LATER, _HOURS, _HOURS):
        yield _frame(_EVENING, _NUMBERS[0], hour), _frame(night, _NUMBERS[0], later)


@dataclass(frozen=True)
class NamePattern:
    """A pattern known to work.

    Raises ValueError, naming what is wrong and what is allowed, when it does not.
    """

    text: str

    def __post_init__(self) -> None:
        used = [piece for piece in _parsed(self.text) if piece[1] is not None]
        for _, name, spec, conversion in used:
            if name not in FIELDS:
                raise ValueError(f"unknown field {{{name}}}; allowed are {', '.join(FIELDS)}")
            if conversion or "{" in (spec or ""):
                raise ValueError(f"field {{{name}}} may carry a plain format only")
        parts = self.text.split("/")
        if any(part in {"", ".", ".."} for part in parts):
            raise ValueError(f"{self.text!r} must name folders below the frame folder")
        if not {"number", "utc"} & {name for _, name, _, _ in used}:
            raise ValueError(f"{self.text!r} needs {{number}} or {{utc}} to tell frames apart")
        try:
            collision = self._collision()
        except (ValueError, TypeError) as reason:
            raise ValueError(f"{self.text!r} cannot be filled in: {reason}") from reason
        if collision:
            raise ValueError(f"{self.text!r} {collision}")

    def _collision(self) -> str:
        """Two frames that it gives one name, in words; empty when there are none.

        They may differ in their number and time alone, or in their night and time.
        """
        for one, other in _apart():
            if self.path(one) == self.path(other):
                nights = (
                    f"nights {one.night} and {other.night}"
                    if one.night != other.night
                    else f"one night, numbers {one.number} and {other.number}"
                )
                return (
                    f"gives frames of {nights} the one name {self.path(one)}:"
                    " {night} and {number} together, or {utc:%Y%m%dT%H%M%S}, tell all frames apart"
                )
        return ""

    def path(self, facts: NameFacts) -> PurePosixPath:
        """The path of a frame below the frame folder; every part is plain ASCII without blanks."""
        words = {
            name: _safe(value) if isinstance(value, str) else value
            for name, value in asdict(facts).items()
        }
        parts = [_safe(part) for part in self.text.format(**words).split("/")]
        return PurePosixPath(
            *map(_short, parts[:-1]), _short(parts[-1].removesuffix(SUFFIX)) + SUFFIX
        )


def _parsed(text: str) -> list[tuple[str, str | None, str | None, str | None]]:
    try:
        return list(string.Formatter().parse(text))
    except ValueError as reason:
        raise ValueError(f"{text!r} is no pattern: {reason}") from reason


def _safe(text: str) -> str:
    """Letters, digits and . _ + - of ASCII; neither empty nor hidden."""
    plain = re.sub(r"[^A-Za-z0-9._+-]", "_", plain_text(text.strip()))
    return re.sub(r"^\.+", "_", plain) or "_"


def _short(part: str) -> str:
    """The part, its middle cut out when a file system would refuse it."""
    if len(part) <= PART_BYTES_MAX:
        return part
    cut = f"_{crc32(part.encode()):08x}_"  # what is cut out may be what tells two names apart
    half = (PART_BYTES_MAX - len(cut)) // 2
    return f"{part[:half]}{cut}{part[-half:]}"
