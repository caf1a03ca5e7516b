"""Which night a moment belongs to, and when it is dark."""

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

from nightloom.sky.bodies import sun_altitude
from nightloom.sky.interval import Interval, intervals_above
from nightloom.sky.site import Site

DAY_S = 86400.0
# Linear interpolation between samples two minutes apart finds the Sun's crossing to about 0.2 s.
_SAMPLE_S = 120.0


def _noon_offset_s(site: Site) -> float:
    """UTC seconds of day at mean solar noon, negative towards the date line in the east."""
    east_deg = (site.longitude_deg + 180.0) % 360.0 - 180.0
    return DAY_S * (0.5 - east_deg / 360.0)


def night_of(unix_s: float, site: Site) -> date:
    """The night a moment belongs to, named for the date of its evening in local solar time.

    Nights change at mean solar noon.
    """
    days = (unix_s - _noon_offset_s(site)) // DAY_S
    return date(1970, 1, 1) + timedelta(days=days)


def night_span(site: Site, night: date) -> Interval:
    """From the mean solar noon before a night to the one after it."""
    midnight = datetime(night.year, night.month, night.day, tzinfo=UTC).timestamp()
    noon = midnight + _noon_offset_s(site)
    return Interval(noon, noon + DAY_S)


@lru_cache(maxsize=64)
def dark_hours(site: Site, night: date, sun_altitude_deg: float = -18.0) -> Interval | None:
    """When the Sun's centre is below an altitude; None in a night that never gets so dark.

    −18° is the astronomical twilight, −0.8333° sunset and sunrise (34′ refraction, 16′ radius).
    """
    moments = night_span(site, night).grid(_SAMPLE_S)
    dark = intervals_above(moments, -sun_altitude(site, moments), -sun_altitude_deg)
    return max(dark, key=lambda interval: interval.duration_s, default=None)
