"""Figures of an outlook, and how they are written, for its tables and its JSON."""

from datetime import UTC, datetime

import numpy as np

from nightloom.schedule.outlook import Outlook
from nightloom.schedule.windows import NightWindows
from nightloom.settings import Target
from nightloom.sky import Interval, meridian_time


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
