"""Whether what a night may give to a target was kept to: its hours, and how much of it."""

from collections import Counter
from collections.abc import Iterable
from datetime import UTC, date, datetime, tzinfo
from zoneinfo import ZoneInfo

from nightloom.rehearsal.observer.entries import Entry
from nightloom.rehearsal.observer.exposures import TakenSub
from nightloom.rehearsal.observer.rules import IN_ITS_HOURS, NIGHTLY_LIMIT, Findings
from nightloom.settings import Settings

DAY_S = 86400.0
ROUNDING_S = 1e-3


def look_at_limits(
    settings: Settings, entries: Iterable[Entry], night: str, findings: Findings
) -> None:
    """Count what was accepted in a night up, target by target and filter by filter.

    What targets that count depth have had is not known in seconds.
    """
    targets = {
        target.name: target for target in settings.targets.targets if target.count == "seconds"
    }
    had_s: Counter[tuple[str, ...]] = Counter()
    for entry in entries:
        target = targets.get(entry.target)
        if target is None or entry.night != night or not entry.accepted:
            continue
        asked = target.subs.get(entry.filter)
        limits = {
            (target.whole,): target.maximum_hours,
            (target.whole, entry.filter): None if asked is None else asked.maximum_hours,
        }
        for what, hours in limits.items():
            if hours is not None and had_s[what] >= 3600.0 * hours - ROUNDING_S:
                seen = f"{entry.uid} was accepted when {' '.join(what)} had {had_s[what]:.0f} s"
                findings.add(NIGHTLY_LIMIT, entry.start_s, f"{seen} of {3600 * hours:.0f} s")
            had_s[what] += entry.exposure_s  # type: ignore[assignment]


def look_at_hours(settings: Settings, night: date, sub: TakenSub, findings: Findings) -> None:
    """Hold a sub against the clocks by which its target has its hours."""
    target, site = settings.targets.named(sub.target), settings.observatory.site
    noon_s = datetime(night.year, night.month, night.day, 12, tzinfo=UTC).timestamp()
    noon_s -= DAY_S * site.place.longitude_deg / 360.0
    zone = UTC if site.time_zone is None else ZoneInfo(site.time_zone)
    for clock, begins, ends in (
        (UTC, target.from_utc, target.until_utc),
        (zone, target.from_local, target.until_local),
    ):
        noon = _shown(noon_s, clock)
        early_s = late_s = 0.0
        if begins:
            early_s = _after(noon, begins) - _after(noon, _shown(sub.start_s, clock))
        if ends:
            closes = _shown(sub.start_s + sub.exposure_s, clock)
            late_s = _after(noon, closes) - _after(noon, ends)
        if max(early_s, late_s) > IN_ITS_HOURS.tolerance:
            seen = (
                f"a sub was exposed {max(early_s, late_s):.0f} s outside of {target.name}'s hours"
            )
            findings.add(IN_ITS_HOURS, sub.start_s, seen)


def _shown(at_s: float, clock: tzinfo) -> str:
    """What a clock shows."""
    return f"{datetime.fromtimestamp(at_s, clock):%H:%M:%S.%f}"


def _after(noon: str, shown: str) -> float:
    """How long after a noon a clock shows a time, in seconds of one day."""
    midnight, *times = (
        datetime.fromisoformat(f"2000-01-01 {text}") for text in ("00:00", noon, shown)
    )
    first, second = ((one - midnight).total_seconds() for one in times)
    return (second - first) % DAY_S
