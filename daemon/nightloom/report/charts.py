"""The plots of a report: what each shows; how axes and keys look is in `plots`."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import tzinfo
from math import inf, nan

import numpy as np

from nightloom.drawing.plots import LEFT, RIGHT, WIDTH, Axis, Plot
from nightloom.drawing.svg import (
    FAINT,
    GRID,
    INK,
    MOON,
    Canvas,
    Scale,
    Style,
    style,
    tick_text,
    ticks,
)
from nightloom.report.records import Exposure, FilterFacts, Look, Night
from nightloom.report.same_sky import QUANTITIES, Quantity

CLOUDED = "#f3e3c3"
"""Behind stretches under cloud or in shelter."""


ZONE = "#e3ece8"
"""Behind where the critical focus zone is."""

OFFSETS_KEY = (
    "Lines: two standard errors; shaded: a quarter of the critical focus zone to either side; full"
    " marks: good enough to be used."
)


def styles(filters: Sequence[str]) -> dict[str, Style]:
    """Each filter's style, the same in all plots."""
    return {name: style(number) for number, name in enumerate(filters)}


# Over time ----------------------------------------------------------------------------------------


def courses(night: Night, keys: Mapping[str, Style], zone: tzinfo) -> Iterator[Canvas]:
    """Star size, guiding, transparency and background of the subs, where they are known."""
    scale = night.arcsec_per_px
    size = "star size: half-flux radius (″)" if scale else "star size: half-flux radius (px)"
    shown: tuple[tuple[str, Callable[[Exposure], float | None], tuple[float, ...]], ...] = (
        (size, lambda sub: _times(sub.half_flux_radius_px, scale or 1.0), ()),
        ("guiding: error, root mean square (″)", lambda sub: sub.guide_rms_arcsec, (0.0,)),
        ("transparency: part of a clear sky’s light", lambda sub: sub.transparency, ()),
        ("sky background (ADU a second, as read)", _sky, ()),
    )
    for name, value, fixed in shown:
        points = [(sub, seen) for sub in night.subs if (seen := value(sub)) is not None]
        if points:
            yield _course(night, name, points, fixed, keys, zone)


def _course(
    night: Night,
    name: str,
    points: Sequence[tuple[Exposure, float]],
    fixed: Sequence[float],
    keys: Mapping[str, Style],
    zone: tzinfo,
) -> Canvas:
    there = {sub.filter for sub, _ in points}
    used = {key: one for key, one in keys.items() if key in there}
    plot = Plot(name, Axis.of(name, [value for _, value in points], *fixed), used)
    plot.x = Scale(night.dark.start_unix_s, night.dark.end_unix_s, LEFT, WIDTH - RIGHT)
    for stay in night.stays:
        if stay.phase in ("holding", "sheltering"):
            plot.span(stay.span, CLOUDED)
    plot.over_time(night.dark, zone)
    for sub, value in points:
        if sub.middle_s in night.dark:
            plot.point(sub.middle_s, value, keys[sub.filter], hollow=not sub.kept)
    return plot.canvas


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _sky(sub: Exposure) -> float | None:
    return None if sub.background_adu is None else sub.background_adu / sub.exposure_s


def altitudes(night: Night, zone: tzinfo) -> Canvas:
    """Where targets and the Moon stood."""
    keys = {
        path.name: MOON if path.name == "Moon" else style(number)
        for number, path in enumerate(night.paths)
    }
    plot = Plot("altitude (°)", Axis("altitude (°)", 0.0, 90.0), keys, lines=True)
    plot.over_time(night.dark, zone)
    for path in night.paths:
        pairs = zip(path.unix_s, path.altitude_deg, strict=True)
        up = [(at_s, height if height > 0.0 else nan) for at_s, height in pairs]
        plot.curve(up, keys[path.name], 2.2)
    return plot.canvas


# Focus --------------------------------------------------------------------------------------------


def focus_by_temperature(night: Night, keys: Mapping[str, Style]) -> Canvas | None:
    """Best focus, less each filter's offset, against temperature, with the learned line.

    None without two looks that tell both.
    """
    line = night.focus_line
    seen = [
        (look, look.temperature_c, look.vertex_steps - _offset(night, look))
        for look in night.looks
        if look.used and look.temperature_c is not None and look.vertex_steps is not None
    ]
    if len(seen) < 2:
        return None
    reference = f", counted from {line.reference}" if line else ""
    name = f"best focus less the filter’s offset (steps{reference})"
    errors = [look.error_steps or 0.0 for look, _, _ in seen]
    reach = [s + way * e for (_, _, s), e in zip(seen, errors, strict=True) for way in (-1.0, 1.0)]
    there = {look.filter for look, _, _ in seen}
    used = {key: one for key, one in keys.items() if key in there}
    plot = Plot(name, Axis.of(name, reach), used)
    warmth = Axis.of("temperature at the focuser (°C)", [warm for _, warm, _ in seen])
    plot.over(warmth)
    if line is not None:
        middle_c = float(np.mean([warm for _, warm, _ in seen]))
        level = float(np.median([s - line.slope_steps_per_c * (w - middle_c) for _, w, s in seen]))
        ends = (warmth.low, warmth.high)
        points = [(end, level + line.slope_steps_per_c * (end - middle_c)) for end in ends]
        plot.curve(_within(points, plot.y), Style(FAINT, "circle", "6 3"))
    for (look, warm, steps), error in zip(seen, errors, strict=True):
        one = keys[look.filter]
        ends_y = plot.y(steps - error), plot.y(steps + error)
        plot.canvas.line(plot.x(warm), ends_y[0], plot.x(warm), ends_y[1], one.colour)
        plot.point(warm, steps, one)
    return plot.canvas


def _within(points: Sequence[tuple[float, float]], y: Scale) -> list[tuple[float, float]]:
    """A straight line as far as it lies between the ends of the axis."""
    (x0, y0), (x1, y1) = points
    along = np.linspace(0.0, 1.0, 201)
    pairs = zip(x0 + along * (x1 - x0), y0 + along * (y1 - y0), strict=True)
    return [(float(a), float(b)) for a, b in pairs if y.low <= b <= y.high]


def _offset(night: Night, look: Look) -> float:
    """A filter's learned offset, else the configured one, from the reference filter."""
    facts = night.filters.get(look.filter, FilterFacts(look.filter))
    origin = 0.0
    if night.focus_line is not None:
        reference = night.filters.get(night.focus_line.reference)
        origin = (reference.configured_steps or 0.0) if reference else 0.0
    steps = facts.learned_steps if facts.learned_steps is not None else facts.configured_steps
    return (steps if steps is not None else origin) - origin


def offsets(filters: Iterable[FilterFacts], keys: Mapping[str, Style]) -> Canvas | None:
    """Learned offsets less the configured ones, with two standard errors and the focus zone.

    None where only the filter that all are counted from was looked at.
    """
    rows = [
        (one, one.learned_steps - one.configured_steps)
        for one in filters
        if one.learned_steps is not None and one.configured_steps is not None
    ]
    if len(rows) < 2:
        return None
    reach = [0.0]
    for one, off in rows:
        error = 2.0 * min(one.error_steps or 0.0, (one.zone_steps or inf))
        quarter = (one.zone_steps or 0.0) / 4.0
        reach += [off - error, off + error, -quarter, quarter]
    height = 40.0 + 24.0 * len(rows)
    title = "learned less configured focus offset"
    canvas = Canvas(WIDTH, height + 38.0, title)
    axis = Axis.of("steps", reach)
    x = Scale(axis.low, axis.high, LEFT, WIDTH - RIGHT)
    canvas.text(0.0, 14.0, f"{title} (steps)")
    _bottom(canvas, x, 28.0, height)
    canvas.line(x(0.0), 28.0, x(0.0), height, INK, 1.2)
    for number, (one, off) in enumerate(rows):
        _offset_row(canvas, x, 42.0 + 24.0 * number, one, off, keys[one.name])
    return canvas


def _offset_row(
    canvas: Canvas, x: Scale, y: float, one: FilterFacts, off: float, key: Style
) -> None:
    quarter = (one.zone_steps or 0.0) / 4.0
    canvas.rectangle(x(-quarter), y - 8.0, x(quarter) - x(-quarter), 16.0, ZONE)
    canvas.line(x(0.0), y - 8.0, x(0.0), y + 8.0, INK, 1.2)
    error = min(2.0 * (one.error_steps or 0.0), one.zone_steps or inf)
    left, right = max(off - error, x.low), min(off + error, x.high)
    canvas.line(x(left), y, x(right), y, key.colour, 1.6)
    canvas.mark(x(off), y, key.mark, key.colour, 4.0, hollow=one.trust != "good")
    canvas.text(LEFT - 8.0, y + 4.5, one.name, "end")


def _bottom(canvas: Canvas, x: Scale, top: float, bottom: float) -> None:
    """Round values along the bottom, each with its line."""
    marks = ticks(x.low, x.high)
    step = marks[1] - marks[0] if len(marks) > 1 else 1.0
    for value in marks:
        canvas.line(x(value), top, x(value), bottom, GRID)
        canvas.text(x(value), bottom + 16.0, tick_text(value, step), "middle", FAINT)
    canvas.line(LEFT, bottom, WIDTH - RIGHT, bottom, FAINT)


# The same sky -------------------------------------------------------------------------------------


def seen_by_filters(
    subs: Sequence[Exposure], order: Sequence[str], keys: Mapping[str, Style]
) -> Iterator[Canvas]:
    """For each quantity a row a filter: where its accepted seconds lie."""
    for quantity in QUANTITIES:
        rows = {name: _values(quantity, subs, name) for name in order}
        rows = {name: values for name, values in rows.items() if values}
        if len(rows) > 1:
            yield _seconds_by(quantity, rows, keys)


def _values(quantity: Quantity, subs: Sequence[Exposure], name: str) -> list[tuple[float, float]]:
    """Value and seconds of a filter's subs, in order of the value."""
    pairs = ((quantity.value(sub), sub.exposure_s) for sub in subs if sub.filter == name)
    return sorted((value, seconds) for value, seconds in pairs if value is not None)


def _seconds_by(
    quantity: Quantity,
    rows: Mapping[str, Sequence[tuple[float, float]]],
    keys: Mapping[str, Style],
) -> Canvas:
    """Thin: nine tenths of the seconds; thick: half of them; the mark: their median."""
    unit = f" ({quantity.unit})" if quantity.unit else ""
    height = 30.0 + 22.0 * len(rows)
    canvas = Canvas(WIDTH, height + 24.0, f"accepted seconds by {quantity.name}")
    axis = Axis.of("", [value for pairs in rows.values() for value, _ in pairs])
    x = Scale(axis.low, axis.high, LEFT, WIDTH - RIGHT)
    canvas.text(0.0, 14.0, f"{quantity.name}{unit}")
    _bottom(canvas, x, 22.0, height)
    for number, (name, pairs) in enumerate(rows.items()):
        y, key = 36.0 + 22.0 * number, keys[name]
        low, lower, middle, upper, high = (
            x(weighted_quantile(pairs, part)) for part in (0.05, 0.25, 0.5, 0.75, 0.95)
        )
        canvas.text(LEFT - 8.0, y + 4.5, name, "end")
        canvas.line(low, y, high, y, key.colour, 1.4)
        canvas.line(lower, y, upper, y, key.colour, 6.0)
        canvas.mark(middle, y, key.mark, key.colour, 4.2, hollow=True)
    return canvas


def weighted_quantile(pairs: Sequence[tuple[float, float]], part: float) -> float:
    """The value below which so large a part of the seconds lies; pairs in order of value."""
    ends = np.cumsum([seconds for _, seconds in pairs])
    number = int(np.searchsorted(ends, part * ends[-1]))
    return pairs[min(number, len(pairs) - 1)][0]
