"""Times of day as moments of a night, read back by zoneinfo's own clocks."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.schedule.clock_times import moment_s
from nightloom.sky import Site, night_span

ZONES = {
    "Europe/Zurich": 9.6,
    "America/Denver": -105.0,
    "Australia/Lord_Howe": 159.1,
    "Asia/Kathmandu": 85.3,
    "Pacific/Kiritimati": -157.4,
}


@given(
    st.sampled_from(sorted(ZONES)),
    st.dates(date(2020, 1, 1), date(2035, 1, 1)),
    st.times().map(lambda t: f"{t:%H:%M}"),
)
def test_the_clock_shows_the_time_within_a_day_of_noon(name: str, night: date, said: str) -> None:
    """Only where a clock is put forward it shows, after the gap, as much more as it was put."""
    noon_s = night_span(Site(0.0, ZONES[name], 0.0), night).start_unix_s
    zone = ZoneInfo(name)
    at_s = moment_s(said, zone, noon_s)
    assert noon_s <= at_s <= noon_s + 25 * 3600
    shown = datetime.fromtimestamp(at_s, zone)
    hour_before = datetime.fromtimestamp(at_s - 3600, zone)
    gap = (shown.utcoffset() or timedelta()) - (hour_before.utcoffset() or timedelta())
    assert f"{shown:%H:%M}" == said or (gap > timedelta() and f"{shown - gap:%H:%M}" == said)


@pytest.mark.parametrize(
    ("night", "said", "utc"),
    [
        ("2026-10-24", "02:30", "2026-10-25T00:30"),
        ("2026-10-24", "03:30", "2026-10-25T02:30"),
        ("2027-03-27", "01:30", "2027-03-28T00:30"),
        ("2027-03-27", "02:30", "2027-03-28T01:30"),
        ("2027-03-27", "03:30", "2027-03-28T01:30"),
    ],
)
def test_nights_in_which_clocks_are_changed(night: str, said: str, utc: str) -> None:
    """In the European Union at 01:00 UTC on the last Sundays of March and October (directive
    2000/84/EC), and in Switzerland with it.
    """
    noon_s = night_span(Site(47.1, 9.6, 820.0), date.fromisoformat(night)).start_unix_s
    expected = datetime.fromisoformat(utc).replace(tzinfo=UTC).timestamp()
    assert moment_s(said, ZoneInfo("Europe/Zurich"), noon_s) == expected
