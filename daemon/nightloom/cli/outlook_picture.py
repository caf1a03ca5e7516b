"""The picture of a night: where its targets stand, what hides them, and who has which hours."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.dates import DateFormatter, HourLocator, date2num
from matplotlib.patheffects import Normal, Stroke
from numpy.typing import ArrayLike, NDArray

from nightloom.cli.picture import blank, save
from nightloom.schedule.outlook import Outlook
from nightloom.settings import Target
from nightloom.sky import Interval

Floats = NDArray[np.float64]

NIGHT, DUSK, INK, FAINT, MOON = "#0f1624", "#5b6f94", "#e9e4d8", "#8f98ab", "#f3ead0"
COLOURS = ("#f0a94b", "#5fc1c9", "#ea7a6b", "#a5cc6b", "#c19be6", "#e8d56b", "#86a3f2", "#e79bbf")
"""Told apart on dark blue, also by most who see red and green alike."""

SKY = LinearSegmentedColormap.from_list("sky", [NIGHT, NIGHT, DUSK])
TWILIGHT_S = 5400.0
"""Shown before and after the dark hours."""

TELLING_S = 2400.0
"""A shorter block has no room for its hours."""

AIRMASSES = {1.0: 90.0, 1.2: 56.4, 1.5: 41.7, 2.0: 29.9, 3.0: 19.3}
"""Altitudes of some airmasses, by Pickering's formula."""


def draw(seen: Outlook, file: Path) -> None:
    """Draw a night into a PNG, SVG or PDF file. Raises BadInput when it cannot be written."""
    rows = sum(len(target.groups) for target in seen.targets)
    figure = blank(12.0, 6.2 + 0.3 * rows, NIGHT)
    sky, hours = figure.subplots(2, 1, sharex=True, height_ratios=[5.6, 0.4 + 0.3 * rows])
    shown = Interval(
        seen.night_windows.dark.start_unix_s - TWILIGHT_S,
        seen.night_windows.dark.end_unix_s + TWILIGHT_S,
    )
    for axes in (sky, hours):
        _style(axes)
        _twilight(axes, seen, shown)
    _moon(sky, seen, shown)
    for target, colour in _coloured(seen):
        _path(sky, seen, shown, target, colour)
    _altitudes(sky)
    _rows(hours, seen)
    hours.set_xlim(*_days([shown.start_unix_s, shown.end_unix_s]))
    hours.xaxis.set_major_locator(HourLocator())
    hours.xaxis.set_major_formatter(DateFormatter("%H", tz=UTC))
    hours.set_xlabel(f"hours UTC, night of {seen.night_windows.night}", color=INK)
    save(figure, file, f"--picture {file}")


def _coloured(seen: Outlook) -> list[tuple[Target, str]]:
    return [(t, COLOURS[number % len(COLOURS)]) for number, t in enumerate(seen.targets)]


def _days(unix_s: ArrayLike) -> Floats:
    """Matplotlib's days of moments."""
    epoch = float(date2num(datetime(1970, 1, 1, tzinfo=UTC)))
    return np.asarray(unix_s, dtype=np.float64) / 86400.0 + epoch


def _style(axes: Axes) -> None:
    axes.set_facecolor(NIGHT)
    axes.tick_params(colors=FAINT, labelcolor=INK)
    for spine in axes.spines.values():
        spine.set_color("#35405a")
    axes.set_axisbelow(True)
    axes.grid(axis="x", color="#2a344c", linewidth=0.6)


def _twilight(axes: Axes, seen: Outlook, shown: Interval) -> None:
    """The sky's own light behind everything, from −18° of the Sun upwards; the dark hours edged."""
    moments = shown.grid(60.0)
    light = np.interp(seen.night_windows.table.sun_altitude(moments), [-18.0, 0.0], [0.0, 1.0])
    ends = _days([shown.start_unix_s, shown.end_unix_s])
    axes.imshow(
        light[None, :],
        extent=(*ends, 0.0, 1.0),
        transform=axes.get_xaxis_transform(),
        aspect="auto",
        cmap=SKY,
        vmin=0.0,
        vmax=1.0,
        zorder=0,
    )
    dark = seen.night_windows.dark
    for edge in _days([dark.start_unix_s, dark.end_unix_s]):
        axes.axvline(edge, color=FAINT, linewidth=0.8, linestyle=(0, (1, 3)))


def _moon(axes: Axes, seen: Outlook, shown: Interval) -> None:
    table, moments = seen.night_windows.table, shown.grid(300.0)
    altitude = table.moon_altitude(moments)
    up = np.where(altitude > 0, altitude, np.nan)
    axes.plot(_days(moments), up, color=MOON, linewidth=5, alpha=0.16, solid_capstyle="round")
    axes.plot(_days(moments), up, color=MOON, linewidth=1.2, linestyle=(0, (6, 4)))
    dark = seen.night_windows.dark
    lit = float(table.moon_illumination((dark.start_unix_s + dark.end_unix_s) / 2))
    words = f"Moon, {lit:.0%} lit"
    if np.all(np.isnan(up)):
        axes.text(0.01, 0.02, f"{words}, down", color=MOON, transform=axes.transAxes, fontsize=9)
    else:
        _named(axes, moments, up, words, MOON)


def _path(axes: Axes, seen: Outlook, shown: Interval, target: Target, colour: str) -> None:
    """Faint where the target may not run, full where it may, filled down to what hides it."""
    night_windows, moments = seen.night_windows, shown.grid(120.0)
    altitude, azimuth = night_windows.table.altitude_azimuth(target.name, moments)
    hidden = np.maximum(night_windows.horizon.altitude_deg(azimuth), target.altitude_floor_deg)
    axes.plot(_days(moments), altitude, color=colour, linewidth=1.0, alpha=0.45)
    axes.plot(_days(moments), hidden, color=colour, linewidth=1.0, linestyle=(0, (2, 2)), alpha=0.5)
    for window in night_windows.windows(target):
        inside = window.grid(120.0)
        height = night_windows.table.altitude_azimuth(target.name, inside)[0]
        axes.plot(_days(inside), height, color=colour, linewidth=1.6)
    for block in seen.blocks_of(target):
        inside = Interval(block.start_unix_s, block.end_unix_s).grid(120.0)
        height, where = night_windows.table.altitude_azimuth(target.name, inside)
        low = np.maximum(night_windows.horizon.altitude_deg(where), target.altitude_floor_deg)
        axes.fill_between(_days(inside), low, height, color=colour, alpha=0.22, linewidth=0)
        axes.plot(_days(inside), height, color=colour, linewidth=4.0, solid_capstyle="butt")
    _named(axes, moments, np.where(altitude > 0, altitude, np.nan), target.name, colour)


def _named(axes: Axes, moments: Floats, altitude: Floats, words: str, colour: str) -> None:
    """A curve's name at its highest place that is not at the very edge."""
    middle = slice(len(moments) // 20, -(len(moments) // 20))
    inner = np.where(np.isnan(altitude), -1.0, altitude)[middle]
    place = int(np.argmax(inner))
    axes.annotate(
        words,
        (_days(moments[middle][place]), inner[place]),
        xytext=(0, 6),
        textcoords="offset points",
        ha="center",
        color=colour,
        fontsize=10,
        fontweight="bold",
        path_effects=[Stroke(linewidth=3, foreground=NIGHT), Normal()],
    )


def _altitudes(axes: Axes) -> None:
    axes.set_ylim(0, 95)
    axes.set_yticks(range(0, 91, 15))
    axes.set_ylabel("altitude (°)", color=INK)
    air = axes.secondary_yaxis("right")
    air.set_yticks(list(AIRMASSES.values()), [f"{value:g}" for value in AIRMASSES])
    air.set_ylabel("airmass", color=INK)
    air.tick_params(colors=FAINT, labelcolor=INK)
    air.spines["right"].set_color("#35405a")
    axes.set_title(
        "thick: planned · thin: may run · faint: may not · dotted: its floor, or the horizon along"
        " its path",
        color=FAINT,
        fontsize=9,
        loc="left",
    )


def _rows(axes: Axes, seen: Outlook) -> None:
    """One row for each group: thin where it may run, thick where it is planned."""
    labels: list[str] = []
    for target, colour in _coloured(seen):
        for number, group in enumerate(target.groups):
            row = len(labels)
            filters = " ".join(group.filters)
            labels.append(f"{target.name}  {filters}" if number == 0 else filters)
            for window in seen.night_windows.group_windows(target, number):
                _bar(axes, row, window, 0.16, colour, alpha=0.55)
            for block in seen.blocks_of(target):
                if block.group == number:
                    whole = Interval(block.start_unix_s, block.end_unix_s)
                    middle = _bar(axes, row, whole, 0.62, colour)
                    if whole.duration_s > TELLING_S:
                        words = f"{block.open_s / 3600:.1f} h"
                        axes.text(
                            middle, row, words, color=NIGHT, fontsize=9, ha="center", va="center"
                        )
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.set_yticks(range(len(labels)), labels, fontsize=9)
    axes.tick_params(axis="y", length=0)


def _bar(
    axes: Axes, row: int, span: Interval, height: float, colour: str, alpha: float = 1
) -> float:
    """A bar over a span of time; returns its middle."""
    left, right = _days([span.start_unix_s, span.end_unix_s])
    axes.barh(row, right - left, left=left, height=height, color=colour, alpha=alpha, linewidth=0)
    return float(left + right) / 2
