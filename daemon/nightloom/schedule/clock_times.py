"""Times of day as people write them, as moments of one night."""

from datetime import UTC, datetime, time, timedelta, tzinfo
from math import inf
from zoneinfo import ZoneInfo

from nightloom.settings import Target
from nightloom.sky import Interval


def hours_of(target: Target, zone: str | None, noon_unix_s: float) -> Interval:
    """The hours of the night after a noon that are left to a target by the times it is given."""

    def told_s(utc: str | None, local: str | None, otherwise: float) -> float:
        if utc is not None:
            return moment_s(utc, UTC, noon_unix_s)
        if local is None or zone is None:
            return otherwise
        return moment_s(local, ZoneInfo(zone), noon_unix_s)

    return Interval(
        told_s(target.from_utc, target.from_local, -inf),
        told_s(target.until_utc, target.until_local, inf),
    )


def moment_s(text: str, zone: tzinfo, noon_unix_s: float) -> float:
    """The first moment after a noon at which a clock of a zone shows a time such as "23:30", in
    Unix time.

    Where the clock is put back it is the earlier of two such moments; where it is put forward, over
    that time, as much later as it is put.
    """
    noon = datetime.fromtimestamp(noon_unix_s, UTC).astimezone(zone)
    days = (noon.date() + timedelta(days=days) for days in (0, 1))
    shown = time.fromisoformat(text)
    moments = [datetime.combine(day, shown, tzinfo=zone).timestamp() for day in days]
    return next(moment for moment in moments if moment >= noon_unix_s)
