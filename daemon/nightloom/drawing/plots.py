"""Axes, scales and keys of a plot; a plot's names stand above it, never among its curves."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from math import isfinite

from nightloom.drawing.letters import shortened, width_px
from nightloom.drawing.svg import FAINT, GRID, INK, Canvas, Scale, Style, tick_text, ticks
from nightloom.sky import Interval

WIDTH, HEIGHT = 440.0, 230.0
"""Two such stand side by side on a desk's screen, one fills a telephone's."""

LEFT, RIGHT, BOTTOM, ABOVE = 54.0, 20.0, 42.0, 24.0
KEY_LINE, KEY_MARK = 40.0, 22.0
"""Where a key's name begins after a piece of line, long enough to tell dashes, or after a mark."""


@dataclass(frozen=True)
class Axis:
    """What an axis says: its name with the unit, and the values that must fit."""

    name: str
    low: float
    high: float

    @classmethod
    def of(cls, name: str, values: Sequence[float], *fixed: float, margin: float = 0.06) -> "Axis":
        """An axis over all finite values, and over those that must be on it."""
        seen = [value for value in (*values, *fixed) if isfinite(value)]
        low, high = (min(seen), max(seen)) if seen else (0.0, 1.0)
        room = (high - low) * margin or abs(high) * 0.1 or 0.5
        low, high = (
            end if end in fixed else end + way for end, way in ((low, -room), (high, room))
        )
        return cls(name, low, high)


class Plot:
    """A canvas with axes; `x` and `y` tell where values lie."""

    def __init__(
        self,
        title: str,
        y: Axis,
        keys: Mapping[str, Style] | None = None,
        *,
        height: float = HEIGHT,
        lines: bool = False,
    ) -> None:
        rows = _rows(keys or {}, KEY_LINE if lines else KEY_MARK)
        self.top = ABOVE + 18.0 * len(rows)
        self.bottom = height + 18.0 * len(rows) - BOTTOM
        self.canvas = Canvas(WIDTH, self.bottom + BOTTOM, title)
        self.canvas.text(0.0, 14.0, y.name, colour=INK)
        for number, row in enumerate(rows):
            for x, name, one in row:
                sample(self.canvas, x, ABOVE + 9.0 + 18.0 * number, one, lines=lines)
                room = KEY_LINE if lines else KEY_MARK
                told = shortened(name, WIDTH - x - room)
                self.canvas.text(x + room, ABOVE + 13.5 + 18.0 * number, told)
        self.y = Scale(y.low, y.high, self.bottom, self.top + 4.0)
        self.x = Scale(0.0, 1.0, LEFT, WIDTH - RIGHT)
        marks = ticks(y.low, y.high)
        step = marks[1] - marks[0] if len(marks) > 1 else 1.0
        for value in marks:
            self.canvas.line(LEFT, self.y(value), WIDTH - RIGHT, self.y(value), GRID)
            text = tick_text(value, step)
            size = min(13.0, 13.0 * (LEFT - 6.0) / width_px(text, 13.0))
            self.canvas.text(LEFT - 6.0, self.y(value) + 4.5, text, "end", FAINT, size)

    def over_time(self, span: Interval, zone: tzinfo) -> None:
        """Have the night along the bottom, in the site's time."""
        self.x = Scale(span.start_unix_s, span.end_unix_s, LEFT, WIDTH - RIGHT)
        for moment, words in hours_in(span, zone):
            place = self.x(moment)
            self.canvas.line(place, self.top, place, self.bottom, GRID)
            self.canvas.text(place, self.bottom + 20.0, words, "middle", FAINT)
        self.canvas.line(LEFT, self.bottom, WIDTH - RIGHT, self.bottom, FAINT)

    def over(self, x: Axis) -> None:
        """Have values along the bottom."""
        self.x = Scale(x.low, x.high, LEFT, WIDTH - RIGHT)
        marks = ticks(x.low, x.high)
        step = marks[1] - marks[0] if len(marks) > 1 else 1.0
        for value in marks:
            place = self.x(value)
            self.canvas.line(place, self.top, place, self.bottom, GRID)
            self.canvas.text(place, self.bottom + 20.0, tick_text(value, step), "middle", FAINT)
        self.canvas.line(LEFT, self.bottom, WIDTH - RIGHT, self.bottom, FAINT)
        self.canvas.text((LEFT + WIDTH - RIGHT) / 2, self.bottom + 36.0, x.name, "middle")

    def point(self, x: float, y: float, style: Style, *, hollow: bool = False) -> None:
        """One point."""
        self.canvas.mark(self.x(x), self.y(y), style.mark, style.colour, hollow=hollow)

    def curve(
        self, points: Sequence[tuple[float, float]], style: Style, width: float = 1.8
    ) -> None:
        """A line through points."""
        places = [(self.x(x), self.y(y)) for x, y in points]
        self.canvas.curve(places, style.colour, width, style.dash)

    def span(self, span: Interval, fill: str) -> None:
        """A stretch of time shaded over the whole height."""
        shown = span.common(Interval(self.x.low, self.x.high))
        if shown is not None:
            left, right = self.x(shown.start_unix_s), self.x(shown.end_unix_s)
            self.canvas.rectangle(left, self.top, right - left, self.bottom - self.top, fill)


def sample(canvas: Canvas, x: float, y: float, one: Style, *, lines: bool) -> None:
    """A piece of line, or a mark, as it is drawn in a style; its right end is before KEY_LINE."""
    if lines:
        canvas.line(x, y, x + KEY_LINE - 6.0, y, one.colour, 2.2, one.dash)
    else:
        canvas.mark(x + 12.0, y, one.mark, one.colour)


def hours_in(span: Interval, zone: tzinfo) -> list[tuple[float, str]]:
    """Round times of day in a stretch of the night, so many that their names do not meet."""
    choices = (5, 10, 15, 30, 60, 120)
    minutes = next((one for one in choices if span.duration_s / (60 * one) <= 7), 240)
    begins = datetime.fromtimestamp(span.start_unix_s, zone)
    first = begins.replace(minute=0, second=0, microsecond=0)
    first = first.replace(hour=first.hour - first.hour % max(1, minutes // 60))
    moments = []
    moment = first.timestamp()
    while moment <= span.end_unix_s:
        if moment >= span.start_unix_s:
            moments.append((moment, f"{datetime.fromtimestamp(moment, zone):%H:%M}"))
        moment += timedelta(minutes=minutes).total_seconds()
    return moments


def _rows(keys: Mapping[str, Style], room: float) -> list[list[tuple[float, str, Style]]]:
    """Where each key stands: in rows no wider than the canvas."""
    rows: list[list[tuple[float, str, Style]]] = []
    x = 0.0
    for name, one in keys.items():
        width = room + 14.0 + width_px(name, 13.0)
        if not rows or x + width > WIDTH:
            rows.append([])
            x = 0.0
        rows[-1].append((x, name, one))
        x += width
    return rows
