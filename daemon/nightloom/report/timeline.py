"""The night as a line of time, broken into rows like a text."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime, tzinfo

from nightloom.drawing.letters import width_px
from nightloom.drawing.plots import WIDTH, hours_in
from nightloom.drawing.sheet import sheet
from nightloom.drawing.svg import COLOURS, FAINT, GRID, INK, PAPER, Canvas, Scale
from nightloom.report.opening import clock
from nightloom.report.records import Act, Fate, Night
from nightloom.sky import Interval

ROW_S = 4 * 3600.0
"""A minute is then wider than a pixel, and a sub can be seen."""

LEFT, RIGHT, BAND, TOP = 58.0, 20.0, 20.0, 6.0

PHASES = {
    "readying": ("making ready", "#bdbdbd"),
    "acquiring": ("taking up", "#56b4e9"),
    "gathering": ("subs", "#e5f2ec"),
    "crossing": ("crossing", "#cc79a7"),
    "holding": ("cloud", "#f2c879"),
    "pausing": ("paused", "#f0e442"),
    "sheltering": ("shelter", "#e0a080"),
    "calibrating": ("calibration frames", "#d5d5ea"),
    "retiring": ("closing", "#999999"),
    "stranded": ("not safe", "#000000"),
}
"""Each phase's name and its shade; asleep is left white."""


KEY = (
    "Full boxes: subs kept; empty with a cross: rejected; low: given up. Strokes: dithers."
    " Diamonds: focus curves; circles: short looks; empty: not used. Triangles: trouble."
)


def night_sheet(night: Night, said: str, zone: tzinfo) -> Canvas:
    """The night as a drawing of its own; `said` is what is said of it first."""
    return sheet(title(night), [said, times(night, zone)], timeline(night, zone), [KEY])


def title(night: Night) -> str:
    """The night's date, and whose it is."""
    day = date.fromisoformat(night.night)
    return f"Night of {day.day} {day:%B %Y}, {night.observatory}"


def times(night: Night, zone: tzinfo) -> str:
    """In whose time all is told, and from when to when it was dark."""
    begins, ends = night.dark.start_unix_s, night.dark.end_unix_s
    offset = f"{datetime.fromtimestamp(begins, zone):%z}"
    named = night.zone or "UTC"
    if night.zone:
        named += f" (UTC{offset[:3]}:{offset[3:]})".replace("-", "−")
    return f"All times are {named}. Dark from {clock(begins, zone)} to {clock(ends, zone)}."


def timeline(night: Night, zone: tzinfo) -> list[Canvas]:
    """One canvas for each row of the night, the last one as long as it needs to be."""
    filters = [name for name in night.filters if any(sub.filter == name for sub in night.subs)]
    whole = _whole(night)
    rows = max(1, -(-int(whole.duration_s) // int(ROW_S)))
    length_s = max(whole.duration_s / rows, 1.0)
    starts = [whole.start_unix_s + number * length_s for number in range(rows)]
    return [_row(night, filters, zone, Interval(at_s, at_s + length_s)) for at_s in starts]


def _whole(night: Night) -> Interval:
    """The dark, and what was exposed beyond it."""
    starts = [night.dark.start_unix_s, *(sub.open.start_unix_s for sub in night.subs)]
    ends = [night.dark.end_unix_s, *(sub.open.end_unix_s for sub in night.subs)]
    return Interval(min(starts), max(ends))


def _row(night: Night, filters: Sequence[str], zone: tzinfo, part: Interval) -> Canvas:
    used = {sub.filter for sub in night.subs if sub.open.common(part) is not None}
    lines = [(number, name) for number, name in enumerate(filters) if name in used]
    names = ["phase", *(name for _, name in lines), "dither", "focus", "trouble"]
    bottom = TOP + BAND * len(names)
    canvas = Canvas(WIDTH, bottom + 24.0, "what was done when")
    x = Scale(part.start_unix_s, part.end_unix_s, LEFT, WIDTH - RIGHT)
    for moment, words in hours_in(part, zone):
        canvas.line(x(moment), TOP, x(moment), bottom, GRID)
        canvas.text(_inside(x(moment)), bottom + 16.0, words, "middle", FAINT)
    for number, name in enumerate(names):
        y = TOP + BAND * number
        canvas.text(LEFT - 6.0, y + 14.5, name, "end")
        canvas.line(LEFT, y + BAND, WIDTH - RIGHT, y + BAND, GRID)
    _phases(canvas, x, night, part)
    for line, (number, name) in enumerate(lines, start=1):
        _subs(canvas, x, night, part, name, number, TOP + BAND * line)
    _marks(canvas, x, night, part, TOP + BAND * (len(lines) + 1))
    return canvas


def _inside(place: float) -> float:
    return min(max(place, LEFT + 17.0), WIDTH - RIGHT - 17.0)


def _phases(canvas: Canvas, x: Scale, night: Night, part: Interval) -> None:
    """Each stay as a box; its name is written in it where there is room."""
    for stay in night.stays:
        shown = stay.span.common(part)
        if shown is None or stay.phase not in PHASES:
            continue
        words, shade = PHASES[stay.phase]
        left, right = x(shown.start_unix_s), x(shown.end_unix_s)
        canvas.rectangle(left, TOP + 2.0, right - left, BAND - 4.0, shade, FAINT)
        if right - left > width_px(words, 12.0) + 4.0:
            ink = PAPER if stay.phase == "stranded" else INK
            canvas.text((left + right) / 2, TOP + 14.0, words, "middle", ink, 12.0)


def _subs(
    canvas: Canvas, x: Scale, night: Night, part: Interval, name: str, number: int, y: float
) -> None:
    """Full boxes for kept subs; rejected ones empty with a cross, given up ones low."""
    colour = COLOURS[number % len(COLOURS)]
    for sub in night.subs:
        shown = sub.open.common(part) if sub.filter == name else None
        if shown is None:
            continue
        left, right = x(shown.start_unix_s), x(shown.end_unix_s)
        if sub.fate is Fate.KEPT:
            canvas.rectangle(left + 0.2, y + 3.0, right - left - 0.4, BAND - 6.0, colour)
        elif sub.fate is Fate.REJECTED:
            canvas.rectangle(left, y + 3.0, right - left, BAND - 6.0, PAPER, colour)
            canvas.mark((left + right) / 2, y + BAND / 2, "cross", INK, 3.0)
        else:
            canvas.rectangle(left, y + BAND - 7.0, right - left, 4.0, colour)


def _marks(canvas: Canvas, x: Scale, night: Night, part: Interval, y: float) -> None:
    """Dithers, looks at the focus, and what went wrong."""
    for done in night.done:
        if done.act is Act.DITHER and done.span.start_unix_s in part:
            place = x(done.span.start_unix_s)
            canvas.line(place, y + 4.0, place, y + BAND - 4.0, INK)
    for look in night.looks:
        if look.at_s in part:
            kind = "diamond" if look.kind == "curve" else "circle"
            canvas.mark(x(look.at_s), y + 1.5 * BAND, kind, INK, 3.6, hollow=not look.used)
    for place in _apart([x(one.at_s) for one in night.told if one.at_s in part]):
        canvas.mark(place, y + 2.5 * BAND, "down", "#d55e00", 4.5)


def _apart(places: Sequence[float]) -> Iterator[float]:
    """One mark for what lies so near that two would cover each other."""
    last = float("-inf")
    for place in sorted(places):
        if place - last >= 5.0:
            yield place
            last = place
