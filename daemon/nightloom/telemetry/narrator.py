"""A log told to a person, line by line: which lines, at what local time, in which words."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from nightloom.telemetry.event import Event, Level
from nightloom.telemetry.events import NightBegun, PhaseChanged
from nightloom.telemetry.figures import readable
from nightloom.telemetry.line import FIRST
from nightloom.telemetry.reading import event_of, parse, utc_of
from nightloom.telemetry.words import Detail, detail_of, sentence

LEVELS: tuple[Level, ...] = ("info", "warning", "error")
"""The weakest first."""

MARKS = {"info": " ", "warning": "!", "error": "!!"}
"""What tells a warning and an error apart without any colour."""


@dataclass(frozen=True)
class Wanted:
    """Which events are told: those that fit all of these."""

    detail: Detail = Detail.SUBS
    level: Level = "info"
    """This one and above."""
    events: frozenset[str] = frozenset()
    """Names in the log; none: all. A name that is asked for is told at any detail."""
    targets: frozenset[str] = frozenset()
    """Events that name one of these targets; none: all."""


@dataclass(frozen=True)
class Spoken:
    """One line for a person; a heading has no time."""

    time: str
    level: Level
    text: str

    @property
    def mark(self) -> str:
        """What stands between time and text."""
        return MARKS[self.level]


class Narrator:
    """Tells a log in the zone of its site, which it names at the beginning.

    `zone` is what is said until the log says better, None the computer's own; with `fixed` the log
    is not asked.
    """

    def __init__(self, wanted: Wanted, zone: tzinfo | None = None, *, fixed: bool = False) -> None:
        self._wanted, self._zone, self._fixed = wanted, zone, fixed
        self._heading: tuple[date, timedelta | None, str] | None = None
        self._before: Event | None = None

    def told(self, line: str) -> Iterator[Spoken]:
        """What a line of the log says, after a heading where the day or the zone is another."""
        fields = parse(line)
        if fields is None:
            if self._wanted == Wanted(self._wanted.detail) and line.strip():
                yield Spoken("", "info", line)
            return
        event = event_of(fields)
        if isinstance(event, NightBegun) and event.time_zone and not self._fixed:
            self._zone = _zone(event.time_zone) or self._zone
        if not self._is_wanted(fields, event):
            return
        local = utc_of(fields).astimezone(self._zone)
        yield from self._headed(local)
        level: Level = next((one for one in LEVELS if one == fields["level"]), "info")
        yield Spoken(self._clock(local), level, self._text(fields, event, local))
        self._before = event

    def _is_wanted(self, fields: Mapping[str, object], event: Event | None) -> bool:
        wanted, level = self._wanted, fields["level"]
        if wanted.events and fields["event"] not in wanted.events:
            return False
        if wanted.targets and fields.get("target") not in wanted.targets:
            return False
        if level in LEVELS and LEVELS.index(level) < LEVELS.index(wanted.level):
            return False
        unknown = Detail.ALL if level == "info" else Detail.MAIN
        detail = unknown if event is None else detail_of(event)
        return bool(wanted.events) or detail <= wanted.detail

    def _clock(self, local: datetime) -> str:
        """To the minute; where everything is told, to the second."""
        return f"{local:%H:%M:%S}" if self._wanted.detail is Detail.ALL else f"{local:%H:%M}"

    def _headed(self, local: datetime) -> Iterator[Spoken]:
        """The day, and the zone where it is not the one that was named last."""
        day, zone = local.date(), _zone_name(local, self._zone)
        before, self._heading = self._heading, (day, local.utcoffset(), zone)
        if before == self._heading:
            return
        text = f"{day.day} {day:%B %Y}"
        if before is None or before[1:] != self._heading[1:]:
            text += f", times in {zone}"
        yield Spoken("", "info", text)

    def _text(self, fields: Mapping[str, object], event: Event | None, local: datetime) -> str:
        if event is None:
            return _as_it_is(fields)
        if isinstance(event, PhaseChanged) and _says(self._before, event.reason):
            event = event.model_copy(update={"reason": ""})
        return sentence(event, local.tzinfo)


def _says(event: Event | None, reason: str) -> bool:
    """Whether an event has told a reason, so that it need not be told again."""
    if event is None or not reason:
        return False
    texts = [value for value in event.fields().values() if isinstance(value, str)]
    lists = [value for value in event.fields().values() if isinstance(value, list)]
    texts += ["; ".join(map(str, one)) for one in lists]
    seen = getattr(event, "seen", None)
    return reason in texts or (isinstance(seen, str) and bool(seen) and seen in reason)


def _as_it_is(fields: Mapping[str, object]) -> str:
    """An event of another version: its name and its fields."""
    rest = [
        f"{key.replace('_', ' ')}: {value}"
        for key, value in fields.items()
        if key not in FIRST and value not in (None, "")
    ]
    name = str(fields["event"]).replace("_", " ")
    return readable(f"{name}; {', '.join(rest)}" if rest else name)


def _zone(name: str) -> tzinfo | None:
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        return None


def _zone_name(local: datetime, zone: tzinfo | None) -> str:
    """Such as UTC, or Europe/Zurich (CET, UTC+1)."""
    if zone is UTC or local.tzname() == "UTC":
        return "UTC"
    minutes = round((local.utcoffset() or timedelta()).total_seconds() / 60)
    hours, rest = divmod(abs(minutes), 60)
    sign = "−" if minutes < 0 else "+"
    offset = f"UTC{sign}{hours}" + (f":{rest:02}" if rest else "")
    short = local.tzname() or ""
    named = [short, offset] if short and short[0] not in "+-" else [offset]
    if isinstance(zone, ZoneInfo):
        return f"{zone.key} ({', '.join(named)})"
    return ", ".join(named)
