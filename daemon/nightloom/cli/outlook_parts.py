"""Figures of an outlook, and how they are written, for its tables and its JSON."""

from datetime import UTC, datetime
from typing import TypedDict

import numpy as np

from nightloom.schedule.outlook import Outlook
from nightloom.schedule.windows import NightWindows
from nightloom.settings import Target
from nightloom.sky import Interval, NightTable, meridian_time, night_span


def named(seen: Outlook, name: str) -> Target:
    """The target of a name, or the first panel of the mosaic of that name."""
    return next(target for target in seen.targets if name in (target.name, target.whole))


def altitude_deg(night_windows: NightWindows, target: Target, moments: np.ndarray) -> np.ndarray:
    """Altitudes at an array of moments, the same shape."""
    return night_windows.table.altitude_azimuth(target.name, moments)[0]


def meridian_s(night_windows: NightWindows, target: Target) -> float:
    """The transit nearest to the middle of the night."""
    middle_s = (night_windows.dark.start_unix_s + night_windows.dark.end_unix_s) / 2
    return meridian_time(night_windows.site, target.ra_deg, target.dec_deg, middle_s)


def moon_separation_deg(night_windows: NightWindows, target: Target) -> float:
    """The least of the night."""
    moments = night_windows.dark.grid(300.0)
    return float(night_windows.table.moon_separation_deg(target.name, moments).min())


class Moon(TypedDict):
    """The Moon of a night; moments are UTC."""

    illumination: float
    days_from_full: float
    rises_utc: list[str]
    sets_utc: list[str]
    highest_deg: float


def moon_told(night_windows: NightWindows) -> Moon:
    """Its figures, in the middle of the dark."""
    table, dark = night_windows.table, night_windows.dark
    middle_s = (dark.start_unix_s + dark.end_unix_s) / 2
    rises, sets = moonrise_and_set(night_windows)
    return {
        "illumination": round(moon_lit(night_windows), 3),
        "days_from_full": round(float(table.days_from_full_moon(middle_s)), 1),
        "rises_utc": [iso(moment) for moment in rises],
        "sets_utc": [iso(moment) for moment in sets],
        "highest_deg": round(moon_highest_deg(night_windows), 1),
    }


def moon_lit(night_windows: NightWindows) -> float:
    """Its lit part in the middle of the dark."""
    dark = night_windows.dark
    middle_s = (dark.start_unix_s + dark.end_unix_s) / 2
    return float(night_windows.table.moon_illumination(middle_s))


def moon_highest_deg(night_windows: NightWindows) -> float:
    """Its highest altitude in the dark, below 0 when it is down all the while."""
    return float(night_windows.table.moon_altitude(night_windows.dark.grid(300.0)).max())


def moonrise_and_set(night_windows: NightWindows) -> tuple[list[float], list[float]]:
    """From the noon before the night to the one after it."""
    day = night_span(night_windows.site, night_windows.night)
    up = NightTable(night_windows.site, day, {}).moon_up()
    return (
        [one.start_unix_s for one in up if one.start_unix_s > day.start_unix_s],
        [one.end_unix_s for one in up if one.end_unix_s < day.end_unix_s],
    )


def iso(unix_s: float) -> str:
    """A moment as ISO text in UTC."""
    return datetime.fromtimestamp(round(unix_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def clock(unix_s: float) -> str:
    """A moment as a UTC clock shows it."""
    return datetime.fromtimestamp(round(unix_s / 60) * 60, UTC).strftime("%H:%M")


def span(interval: Interval) -> str:
    """From when to when."""
    return f"{clock(interval.start_unix_s)}–{clock(interval.end_unix_s)}"


def hours(seconds: float | None) -> str:
    """A duration in hours."""
    return "-" if seconds is None else f"{seconds / 3600:.2f} h"


def rounded(seconds: float | None) -> int | None:
    """Whole seconds."""
    return None if seconds is None else round(seconds)


def dark_told(dark: Interval | None) -> str:
    """From when to when, and how long."""
    return "never" if dark is None else f"{span(dark)}, {dark.duration_s / 3600:.1f} h"
