"""Unix seconds of the moments in published examples."""

from datetime import UTC, datetime


def utc(year: int, month: int, day: int, hour: int = 0, minute: int = 0, second: int = 0) -> float:
    """A moment in UTC."""
    return datetime(year, month, day, hour, minute, second, tzinfo=UTC).timestamp()


def dynamical_1992(month: int, day: int) -> float:
    """0h of Terrestrial (dynamical) time, Meeus's TD, on a day of 1992.

    TAI − UTC was 26 s, and 27 s from the leap second of 1992-07-01 on (IERS).
    """
    return utc(1992, month, day) - 32.184 - (27 if month >= 7 else 26)
