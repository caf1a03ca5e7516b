"""File names of frames, from a pattern in the settings.

A pattern is a Python format string over the fields of NameFacts, with / between folders, such as
"{night}/{target}/{target}_{number:04d}_{filter}_{exposure_s:g}s_{utc:%Y%m%dT%H%M%S}".
The ending is always .fits and need not be written.
"""

import re
import string
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, date, datetime
from pathlib import PurePosixPath

from nightloom.plain_text import plain_text
from nightloom_drivers.frame_kind import FrameKind

SUFFIX = ".fits"
_WIDE = re.compile(r"\d{3}")
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

_SAMPLE = NameFacts(
    "M 31", "L", FrameKind.LIGHT, 0.5, datetime(2026, 1, 2, tzinfo=UTC), date(2026, 1, 1), 1
)


def _another(number: int, utc: datetime, night: date) -> NameFacts:
    return replace(_SAMPLE, number=number, utc=utc, night=night)


_OTHERS = {
    "a frame and the next one": _another(
        2, datetime(2026, 1, 2, 0, 0, 1, tzinfo=UTC), date(2026, 1, 1)
    ),
    "the same frame of another day": _another(
        1, datetime(2026, 1, 3, tzinfo=UTC), date(2026, 1, 2)
    ),
    "the same frame of the next evening": _another(
        1, datetime(2026, 1, 2, 20, tzinfo=UTC), date(2026, 1, 2)
    ),
    "the same frame of another month": _another(
        1, datetime(2026, 2, 2, tzinfo=UTC), date(2026, 2, 1)
    ),
    "the same frame of another year": _another(
        1, datetime(2027, 1, 2, tzinfo=UTC), date(2027, 1, 1)
    ),
}
"""Frames that must not have the sample's name: numbers begin anew each night."""


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
            if _WIDE.search(spec or ""):
                raise ValueError(f"field {{{name}}} may be 99 characters wide at the most")
        parts = self.text.split("/")
        if any(part in {"", ".", ".."} for part in parts):
            raise ValueError(f"{self.text!r} must name folders below the frame folder")
        try:
            sample, others = self.path(_SAMPLE), {w: self.path(o) for w, o in _OTHERS.items()}
        except (ValueError, TypeError) as reason:
            raise ValueError(f"{self.text!r} cannot be filled in: {reason}") from reason
        same = next((which for which, path in others.items() if path == sample), None)
        if same is not None:
            raise ValueError(
                f"{self.text!r} gives {same} one name:"
                " it needs {night} and {number}, or {utc} to the second"
            )

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
    half = PART_BYTES_MAX // 2
    return f"{part[:half]}_{part[-half:]}"
