"""The picture of a night: where its targets stand, and who is to have which hours."""

from collections.abc import Mapping
from datetime import UTC
from math import nan

import numpy as np

from nightloom.cli.outlook_parts import (
    altitude_deg,
    clock,
    dark_told,
    meridian_s,
    moon_highest_deg,
    moon_lit,
    moon_separation_deg,
)
from nightloom.drawing.letters import broken, shortened, width_px
from nightloom.drawing.plots import (
    KEY_LINE,
    LEFT,
    RIGHT,
    WIDTH,
    Axis,
    Plot,
    hours_in,
    sample,
)
from nightloom.drawing.sheet import sheet
from nightloom.drawing.svg import FAINT, GRID, MOON, PAPER, Canvas, Scale, Style, style
from nightloom.schedule.outlook import FilterOutlook, Outlook
from nightloom.settings import Group, Target
from nightloom.settings.observatory import Observatory
from nightloom.sky import Interval

TWILIGHT_S = 3600.0
"""Shown before and after the dark hours."""

DUSK = "#e9e9e9"
"""Behind the hours that are not dark."""

STEP_S = 300.0
THIN, USUAL, THICK = 0.7, 1.9, 4.2
"""Where a target may not run, where it may, and where it is planned."""

AIRMASSES = {1.0: 90.0, 1.2: 56.4, 1.5: 41.7, 2.0: 29.9, 3.0: 19.3}
"""Altitudes of some airmasses, by Pickering's formula."""

FOOT = (
    "Curves and boxes: thick or full, planned; thinner or empty, it may run; hair-thin, it may not,"
    " for its horizon, floor, Moon or mount.",
    "Hours are those that the plan should add to each filter tonight; in brackets what they are"
    " worth of a clear, dark night at the zenith. Grey: not dark.",
)

LINE, BOX, SMALL = 17.0, 11.0, 12.0


def night_sheet(observatory: Observatory, seen: Outlook) -> Canvas:
    """The whole picture; all times are UTC."""
    night, dark = seen.night_windows.night, seen.night_windows.dark
    shown = Interval(dark.start_unix_s - TWILIGHT_S, dark.end_unix_s + TWILIGHT_S)
    keys = {target.name: style(number) for number, target in enumerate(seen.targets)}
    return sheet(
        f"Night of {night.day} {night:%B %Y}, {observatory.name}",
        [*_site(observatory), f"Dark {dark_told(dark)}, all times UTC.", _moon(seen)],
        [_altitudes(seen, shown, keys), _hours(seen, shown, keys)],
        FOOT,
    )


def _site(observatory: Observatory) -> list[str]:
    site = observatory.site
    east = (site.longitude_deg + 180.0) % 360.0 - 180.0
    north = f"{abs(site.latitude_deg):.1f}° {'N' if site.latitude_deg >= 0 else 'S'}"
    return [f"{north}, {abs(east):.1f}° {'E' if east >= 0 else 'W'}, {site.elevation_m:.0f} m"]


def _moon(seen: Outlook) -> str:
    height = moon_highest_deg(seen.night_windows)
    where = f"up to {height:.0f}° in the dark" if height > 0 else "down while it is dark"
    return f"Moon {moon_lit(seen.night_windows):.0%} lit, {where}."


# Where they stand ---------------------------------------------------------------------------------


def _altitudes(seen: Outlook, shown: Interval, keys: Mapping[str, Style]) -> Canvas:
    table, moments = seen.night_windows.table, shown.grid(STEP_S)
    moon = np.asarray(table.moon_altitude(moments))
    named = {**keys, "Moon": MOON} if moon.max() > 0 else keys
    name = "altitude (°), and airmass at the right"
    plot = Plot(name, Axis(name, 0.0, 90.0), named, height=270.0, lines=True)
    plot.x = Scale(shown.start_unix_s, shown.end_unix_s, LEFT, WIDTH - RIGHT)
    for twilight in _twilights(seen, shown):
        plot.span(twilight, DUSK)
    plot.over_time(shown, UTC)
    for mass, at_deg in AIRMASSES.items():
        plot.canvas.text(WIDTH - RIGHT + 3.0, plot.y(at_deg) + 4.0, f"{mass:g}", "start", FAINT, 11)
    _curve(plot, np.asarray(moments), moon, MOON, 1.4)
    for target in seen.targets:
        whole = [(shown, THIN), *((one, USUAL) for one in seen.night_windows.windows(target))]
        planned = [Interval(one.start_unix_s, one.end_unix_s) for one in seen.blocks_of(target)]
        for part, width in [*whole, *((one, THICK) for one in planned)]:
            inside = np.asarray(part.grid(STEP_S))
            height = altitude_deg(seen.night_windows, target, inside)
            _curve(plot, inside, height, keys[target.name], width)
    return plot.canvas


def _curve(plot: Plot, at_s: np.ndarray, altitude: np.ndarray, one: Style, width: float) -> None:
    """As far as it is above the horizon."""
    up = np.where(altitude >= 0.0, altitude, nan)
    plot.curve([(float(x), float(y)) for x, y in zip(at_s, up, strict=True)], one, width)


def _twilights(seen: Outlook, shown: Interval) -> tuple[Interval, Interval]:
    dark = seen.night_windows.dark
    return (
        Interval(shown.start_unix_s, dark.start_unix_s),
        Interval(dark.end_unix_s, shown.end_unix_s),
    )


# Who has which hours ------------------------------------------------------------------------------


def _hours(seen: Outlook, shown: Interval, keys: Mapping[str, Style]) -> Canvas:
    """For each target its name, and for each of its groups of filters its hours and a row."""
    rows = [
        (target, number, broken(_told(group, seen.filters[target.name]), WIDTH))
        for target in seen.targets
        for number, group in enumerate(target.groups)
    ]
    heads = {target.name: _head(seen, target) for target in seen.targets}
    height = sum(LINE * (len(head) + 0.2) for head in heads.values())
    height += sum(LINE * len(lines) + 2.0 * BOX + 0.4 * LINE for _, _, lines in rows)
    canvas = Canvas(WIDTH, height + 1.5 * LINE, "windows and plan")
    x = Scale(shown.start_unix_s, shown.end_unix_s, LEFT, WIDTH - RIGHT)
    y = 0.0
    for target, number, lines in rows:
        if number == 0:
            y = _headed(canvas, y, heads[target.name], keys[target.name])
        y += 0.4 * LINE
        for line in lines:
            canvas.text(0.0, y + 11.0, line)
            y += LINE
        _row(canvas, x, y, seen, target, number, keys[target.name])
        y += 2.0 * BOX
    for moment, words in hours_in(shown, UTC):
        canvas.text(x(moment), y + 12.0, words, "middle", FAINT)
    return canvas


def _head(seen: Outlook, target: Target) -> list[list[str]]:
    """A target's name and what is to be known of it: on one line, or on two where it is long."""
    night_windows = seen.night_windows
    highest = altitude_deg(night_windows, target, night_windows.dark.grid(STEP_S)).max()
    facts = f"up to {highest:.0f}°, meridian {clock(meridian_s(night_windows, target))}"
    if moon_highest_deg(night_windows) > 0:
        facts += f", Moon {moon_separation_deg(night_windows, target):.0f}° off"
    name = shortened(target.name, WIDTH - KEY_LINE, bold=True)
    room = WIDTH - KEY_LINE - width_px(facts, SMALL) - 8.0
    return [[name, facts]] if width_px(name, 13.0, bold=True) <= room else [[name], ["", facts]]


def _headed(canvas: Canvas, y: float, head: list[list[str]], one: Style) -> float:
    """Write a target's head; returns where it ends."""
    sample(canvas, 0.0, y + LINE - 4.5, one, lines=True)
    for name, *facts in head:
        y += LINE
        if name:
            canvas.text(KEY_LINE, y, name, bold=True)
        for words in facts:
            canvas.text(WIDTH, y, words, "end", FAINT, SMALL)
    return y + 0.2 * LINE


def _told(group: Group, filters: Mapping[str, FilterOutlook]) -> str:
    """What each filter of a group should get."""
    if not any(filters[name].expected_s > 0.0 for name in group.filters):
        return f"{' '.join(group.filters)}: not planned tonight"
    return ", ".join(
        f"{name} {filters[name].expected_s / 3600:.1f} h"
        f" ({filters[name].expected_worth_s / 3600:.1f})".replace(" ", "\N{NO-BREAK SPACE}")
        for name in group.filters
    )


def _row(
    canvas: Canvas, x: Scale, y: float, seen: Outlook, target: Target, number: int, one: Style
) -> None:
    """When a group may run as empty boxes, when it is planned as full ones."""
    for twilight in _twilights(seen, Interval(x.low, x.high)):
        left, right = x(twilight.start_unix_s), x(twilight.end_unix_s)
        canvas.rectangle(left, y, right - left, BOX, DUSK)
    canvas.line(x.start, y + BOX, x.end, y + BOX, GRID)
    for window in seen.night_windows.group_windows(target, number):
        left, right = x(window.start_unix_s), x(window.end_unix_s)
        canvas.rectangle(left, y, right - left, BOX, PAPER, one.colour)
    for block in seen.blocks_of(target):
        if block.group == number:
            left, right = x(block.start_unix_s), x(block.end_unix_s)
            canvas.rectangle(left, y, right - left, BOX, one.colour, one.colour)
