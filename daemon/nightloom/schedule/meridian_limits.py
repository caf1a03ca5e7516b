"""Which hour angles the mount reaches: each side of the pier has its own, and a change its place.

Hour angles are west positive, in hours from −12 to 12.
"""

from nightloom.settings.observatory import Mount
from nightloom.sky import HOUR_S, Interval, Site, joined, meridian_time, overlaps

EDGE_S = 60.0
"""So much after a side begins the first slew: the mount's own hour angle differs from the true one
by what it misses, and a quarter of a degree is a minute."""

BRIDGED_S = 300.0
"""A mount that stands still for no longer than a step of the plan waits: that is its crossing."""

Hours = tuple[float, float]


def ranges_h(mount: Mount) -> list[Hours]:
    """The hour angles at which either side of the pier may look, in order.

    West of the pier a telescope is only where a slew took it there, before `flip_after_h`.
    """
    west_h, east_h = mount.hour_angle_pier_west_h, mount.hour_angle_pier_east_h
    east = [(mount.changes_at_h, east_h[1])]
    return [west_h, *east] if west_h[0] < mount.flip_after_h else east


def reach(mount: Mount, site: Site, place: tuple[float, float], span: Interval) -> list[Interval]:
    """When the mount may look at a place (ICRS degrees), in order; all the span without sides.

    Where it waits briefly between its sides the place counts as in reach.
    """
    if not mount.needs_flip:
        return [span]
    allowed = [
        Interval(transit_s + low_h * HOUR_S, transit_s + high_h * HOUR_S)
        for transit_s in _transits_s(site, place, span)
        for low_h, high_h in ranges_h(mount)
    ]
    whole = [
        Interval(one.start_unix_s + EDGE_S, one.end_unix_s - BRIDGED_S)
        for one in joined([Interval(a.start_unix_s, a.end_unix_s + BRIDGED_S) for a in allowed])
    ]
    return overlaps([span], whole)


def crossings(
    mount: Mount, site: Site, place: tuple[float, float], span: Interval, cost_s: float
) -> list[Interval]:
    """When a place that is followed through the span changes the sides of the pier, at the latest.

    That begins where the west of the pier ends, and takes `cost_s` once the east may look.
    """
    if not mount.needs_flip:
        return []
    ends_h = mount.hour_angle_pier_west_h[1]
    begins_h = max(ends_h, mount.changes_at_h)
    return [
        Interval(transit_s + ends_h * HOUR_S, transit_s + begins_h * HOUR_S + cost_s)
        for transit_s in _transits_s(site, place, span)
        if transit_s + ends_h * HOUR_S in span
    ]


def _transits_s(site: Site, place: tuple[float, float], span: Interval) -> list[float]:
    """Upper transits in the span, and the one before and after it."""
    middle_s = (span.start_unix_s + span.end_unix_s) / 2
    nearest_s = meridian_time(site, *place, middle_s)
    return [nearest_s + 24 * days * HOUR_S for days in (-1, 0, 1)]
