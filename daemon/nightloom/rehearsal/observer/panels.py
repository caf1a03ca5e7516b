"""How evenly the accepted seconds of a mosaic are spread over its panels."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from math import ceil

from nightloom.rehearsal.observer.entries import Entry
from nightloom.rehearsal.observer.evenness import ROUNDING
from nightloom.rehearsal.observer.rules import EVEN_PANELS, Findings
from nightloom.settings import AskedSub, Settings, Target
from nightloom.sky import Horizon, altitude_azimuth

CLEARLY_UP_DEG = 2.0
"""Panels that are this much above their floor and the horizon may be taken."""

Tallies = Mapping[str, Mapping[str, float]]


def look_at_panels(
    settings: Settings, entries: Iterable[Entry], night: str, findings: Findings
) -> float:
    """Count up what panels have, in the order of entry; how far the one that gets a frame is ahead
    of the last that could be taken, in visits, at the most.
    """
    panels = {target.name: target for target in settings.targets.targets if target.number}
    tally_s: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    begun_s: dict[str, dict[str, float]] | None = None
    largest = 0.0
    for entry in entries:
        target = panels.get(entry.target)
        if target is None or not entry.accepted:
            continue
        if begun_s is None and entry.night == night:
            begun_s = {name: dict(tally_s[name]) for name in panels}
        tally_s[target.name][entry.filter] += entry.exposure_s
        if begun_s is None:
            continue
        asked = _cycle(target, entry.filter)
        ahead = _ahead(settings, target, asked, tally_s, entry.start_s)
        at_first = max(0.0, _ahead(settings, target, asked, begun_s, entry.start_s))
        largest = max(largest, ahead)
        if ahead > at_first + 1.0 + EVEN_PANELS.tolerance / _visit(asked, target) + ROUNDING:
            seen = f"after {entry.uid} {target.name} is {ahead:.2f} visits ahead of another panel"
            findings.add(EVEN_PANELS, entry.start_s, seen)
    return largest


def _cycle(target: Target, filter_name: str) -> dict[str, AskedSub]:
    """The filters of the first group that has a filter."""
    return next(one.filters for one in target.groups if filter_name in one.filters)


def _visit(asked: Mapping[str, AskedSub], target: Target) -> int:
    """Whole cycles of a visit."""
    cycle_s = sum(sub.share * sub.exposure_s for sub in asked.values())
    return max(1, ceil(target.visit_s / cycle_s - ROUNDING))


def _ahead(
    settings: Settings,
    target: Target,
    asked: Mapping[str, AskedSub],
    tally_s: Tallies,
    at_s: float,
) -> float:
    """How many visits a panel is ahead of the last of its mosaic that lacks something and is up."""
    cycle_s = sum(sub.share * sub.exposure_s for sub in asked.values())
    cycles = {
        one.name: sum(tally_s.get(one.name, {}).get(name, 0.0) for name in asked) / cycle_s
        for one in settings.targets.of(target.whole)
        if _lacks(asked, tally_s.get(one.name, {})) and _is_up(settings, one, at_s)
    }
    others = [value for name, value in cycles.items() if name != target.name]
    own = sum(tally_s.get(target.name, {}).get(name, 0.0) for name in asked) / cycle_s
    return (own - min(others, default=own)) / _visit(asked, target)


def _lacks(asked: Mapping[str, AskedSub], had_s: Mapping[str, float]) -> bool:
    return any(
        sub.wanted_hours is None or had_s.get(name, 0.0) < 3600.0 * sub.wanted_hours
        for name, sub in asked.items()
    )


def _is_up(settings: Settings, target: Target, at_s: float) -> bool:
    """Whether a panel was well above its floor and the horizon."""
    site = settings.observatory.site
    altitude, azimuth = altitude_azimuth(site.place, target.ra_deg, target.dec_deg, at_s)
    floor_deg = max(
        target.altitude_floor_deg, float(Horizon(site.horizon).altitude_deg(float(azimuth)))
    )
    return float(altitude) > floor_deg + CLEARLY_UP_DEG
