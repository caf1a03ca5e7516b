"""Times of day as people write them, as moments of one night."""

from datetime import UTC, datetime, time, timedelta, tzinfo


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
