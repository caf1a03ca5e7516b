"""What a night offers: its dark hours, when each group of filters may run, and plans over it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from functools import cache
from math import inf

import numpy as np

from nightloom.schedule import (
    STAR_AREA_EXPONENT,
    Candidate,
    Plan,
    make_plan,
    moonlight_part,
    priority_weight,
    sky_quality,
    steps,
)
from nightloom.schedule.clock_times import hours_of
from nightloom.schedule.costs import costs_of, crossing_cost_s, move_cost_s, open_fraction
from nightloom.schedule.gathered import is_nearly_complete, left_tonight_s, wanted_s
from nightloom.schedule.meridian_limits import crossings, reach
from nightloom.schedule.panels import as_one, visit_cycles
from nightloom.settings import AskedSub, Group, Settings, Target, cycle_of
from nightloom.settings.groups import Sky
from nightloom.sky import (
    Horizon,
    Interval,
    NightTable,
    dark_hours,
    joined,
    night_span,
    outside,
    overlaps,
)

TABLE_MARGIN_S = 3 * 3600.0
"""The table reaches this far beyond the dark hours: readying begins in twilight."""

STEP_S = 300.0
"""The plan looks at the night in steps of five minutes: the sky turns by 1.25°."""

LEAST_WINDOW_S = 900.0
"""A window shorter than this does not pay for slewing, centring and focusing."""

Tally = Callable[[str], Mapping[str, float]]
"""Accepted seconds by filter of a target."""


class NoDarkness(Exception):
    """The night never gets as dark as the settings ask."""


def darkness(settings: Settings, night: date, hours_max: float | None = None) -> Interval:
    """The dark hours of a night, or the first `hours_max` of them.

    A group of filters that is content with less darkness makes the night longer. Raises NoDarkness
    when the Sun does not sink deep enough for anything.
    """
    policy_deg = settings.policies.dark.sun_altitude_deg
    groups = (group for target in settings.targets.targets for group in target.groups)
    sun_altitude_deg = max(
        policy_deg if group.sun_altitude_deg is None else group.sun_altitude_deg for group in groups
    )
    dark = dark_hours(settings.observatory.site.place, night, sun_altitude_deg)
    if dark is None:
        raise NoDarkness(f"the Sun does not sink below {sun_altitude_deg:g}° on {night}")
    if hours_max is None:
        return dark
    end_s = min(dark.end_unix_s, dark.start_unix_s + 3600.0 * hours_max)
    return Interval(dark.start_unix_s, end_s)


def sun_down_s(settings: Settings, night: date) -> float:
    """When the Sun is low enough for the roof to open; without end when it never is."""
    place, limit_deg = settings.observatory.site.place, settings.policies.safety.sun_altitude_deg
    down = dark_hours(place, night, limit_deg)
    return inf if down is None else down.start_unix_s


class NightWindows:
    """One night over one site, whatever has been gathered so far. Raises NoDarkness.

    `hours_max` cuts the dark hours short, for a rehearsal that is to take less time.
    """

    def __init__(self, settings: Settings, night: date, hours_max: float | None = None) -> None:
        self.night, self.site = night, settings.observatory.site.place
        self.horizon = Horizon(settings.observatory.site.horizon)
        self.dark = dark = darkness(settings, night, hours_max)
        self._settings = settings
        span = Interval(dark.start_unix_s - TABLE_MARGIN_S, dark.end_unix_s + TABLE_MARGIN_S)
        targets = settings.targets.targets
        self.table = NightTable(self.site, span, {t.name: (t.ra_deg, t.dec_deg) for t in targets})
        self.move_cost_s = move_cost_s(settings)
        self.least_session_s = settings.policies.plan.least_session_s
        self._costs = costs_of(settings)
        self._dark_at = cache(lambda sun_deg: dark_hours(self.site, night, sun_deg))
        self._skies = self._parted()
        self._zone = settings.observatory.site.time_zone
        self._noon_s = night_span(self.site, night).start_unix_s
        mount = settings.observatory.mount
        self._reach = {t.name: reach(mount, self.site, _place(t), dark) for t in targets}
        cost_s = crossing_cost_s(settings)
        self._crossings = {
            t.name: crossings(mount, self.site, _place(t), dark, cost_s) for t in targets
        }
        self._windows = {
            (target.name, number): self._group_windows(target, group)
            for target in targets
            for number, group in enumerate(target.groups)
        }
        self._quality = {
            (target.name, number): self._group_quality(target, group)
            for target in targets
            for number, group in enumerate(target.groups)
        }

    def windows(self, target: Target) -> list[Interval]:
        """When any group of the target may run, in order."""
        return joined(
            [w for number in range(len(target.groups)) for w in self.group_windows(target, number)]
        )

    def group_windows(self, target: Target, number: int) -> tuple[Interval, ...]:
        """When one group of the target may run, in order."""
        return self._windows[target.name, number]

    def out_of_reach(self, target: Target) -> list[Interval]:
        """When the target is up in the dark and neither side of the pier may look at it."""
        beyond = outside(self._reach[target.name], self.dark)
        return overlaps(self._high(target), beyond)

    def crossings(self, target: Target) -> list[Interval]:
        """What changing the sides of the pier takes, each time that the target may run there."""
        windows = self.windows(target)
        return [one for one in self._crossings[target.name] if overlaps(windows, [one])]

    def plan(
        self,
        from_unix_s: float,
        accepted: Tally,
        tonight: Tally,
        start_target: str | None = None,
        aside_until_s: Mapping[str, float] | None = None,
        begun_target: str | None = None,
    ) -> Plan:
        """The plan from a moment to dawn.

        `accepted` gives accepted seconds by filter of a target, a panel each, over all nights, and
        `tonight` those of this night, of all panels of a mosaic together; `start_target` is on the
        rig already, and `begun_target` was last; targets that are aside wait. Of a mosaic's panels
        the blocks name the mosaic.
        """
        begin = max(from_unix_s, self.dark.start_unix_s)
        if begin >= self.dark.end_unix_s:
            return Plan((), 0.0, 0.0)
        edges = steps(Interval(begin, self.dark.end_unix_s), max(STEP_S, self.move_cost_s))
        middles = (edges[1:] + edges[:-1]) / 2
        aside = aside_until_s or {}
        found: dict[tuple[str, int], list[Candidate]] = {}
        for target in self._settings.targets.targets:
            waits = Interval(max(begin, aside.get(target.name, begin)), inf)
            told_s = accepted(target.name), tonight(target.name)
            for one in self._candidates(target, *told_s, waits, middles, start_target):
                found.setdefault((target.whole, one.group), []).append(one)
        candidates = [
            panels[0] if panels[0].target == whole else self._as_one(panels, whole)
            for (whole, _), panels in found.items()
        ]
        wholes = {one.name: one.whole for one in self._settings.targets.targets}
        start, begun = (wholes.get(name or "") for name in (start_target, begun_target))
        least_s = self.least_session_s
        return make_plan(candidates, edges, self.move_cost_s, start, least_s, begun)

    def _candidates(
        self,
        target: Target,
        accepted_s: Mapping[str, float],
        tonight_s: Mapping[str, float],
        waits: Interval,
        middles: np.ndarray,
        start_target: str | None,
    ) -> Iterator[Candidate]:
        """The groups of a target that lack anything and may run; middles are (steps,)."""
        policies = self._settings.policies
        nearly = is_nearly_complete(target, accepted_s, policies.plan.finish_first_hours)
        dither = target.dither.over(policies.dither)
        for number, group in enumerate(target.groups):
            lacking = group.lacking(accepted_s, tonight_s)
            windows = self._worth_going(target, number, lacking, [waits], start_target)
            if lacking and windows:
                yield Candidate(
                    target.name,
                    number,
                    tuple(windows),
                    np.interp(middles, self.table.unix_s, self._quality[target.name, number]),
                    priority_weight(target.priority, nearly_complete=nearly),
                    open_fraction(cycle_of(lacking, dither), self._costs),
                    wanted_s(lacking, accepted_s, tonight_s),
                    left_tonight_s(target, tonight_s),
                    tuple(self._crossings[target.name]),
                )

    def _as_one(self, panels: Sequence[Candidate], whole: str) -> Candidate:
        """A mosaic as the plan sees it, with what the moves between its panels cost."""
        first = self._settings.targets.of(whole)[0]
        group = first.groups[panels[0].group]
        cycles = visit_cycles(group.filters, first.visit_s)
        return as_one(panels, whole, cycles * group.cycle_s, crossing_cost_s(self._settings))

    def _worth_going(
        self,
        target: Target,
        number: int,
        filters: Mapping[str, AskedSub],
        waits: Sequence[Interval],
        start_target: str | None,
    ) -> list[Interval]:
        """The windows of a group, or what is left of them, that hold any sub after the way there.

        On a target that is running already, the shortest will do.
        """
        subs_s = [sub.exposure_s for sub in filters.values()] or [0.0]
        least_s = min(subs_s) if target.name == start_target else self.move_cost_s + max(subs_s)
        left = overlaps(self._windows[target.name, number], waits)
        return [window for window in left if window.duration_s >= least_s]

    def dark_for(self, group: Group | None = None) -> Interval | None:
        """When it is as dark as a group asks, or the policy; None when it never is."""
        asked_deg = None if group is None else group.sun_altitude_deg
        policy_deg = self._settings.policies.dark.sun_altitude_deg
        return self._dark_at(policy_deg if asked_deg is None else asked_deg)

    def _group_windows(self, target: Target, group: Group) -> tuple[Interval, ...]:
        """Dark, in reach, high enough, as Sun, Moon and clock allow, and long enough."""
        own = self.dark_for(group)
        allowed = overlaps([self.dark], [own] if own else [])
        allowed = overlaps(self._high(target), allowed)
        allowed = overlaps(allowed, self._reach[target.name])
        if group.maximum_moonlight_ratio is not None:
            limit = group.maximum_moonlight_ratio, max(self._moonlight_parts(group))
            allowed = overlaps(allowed, self.table.dim_enough(target.name, *limit))
        allowed = overlaps(allowed, joined([one for sky in group.sky for one in self._skies[sky]]))
        allowed = overlaps(allowed, [hours_of(target, self._zone, self._noon_s)])
        return tuple(window for window in allowed if window.duration_s >= LEAST_WINDOW_S)

    def _parted(self) -> dict[Sky, list[Interval]]:
        """The night, parted by what lights its sky."""
        span, moon = self.table.span, self.table.moon_up()
        policy = self.dark_for()
        dark = [policy] if policy else []
        return {
            "dark": overlaps(dark, outside(moon, span)),
            "moonlit": overlaps(dark, moon),
            "twilit": outside(dark, span),
        }

    def _high(self, target: Target) -> list[Interval]:
        """When it is above its own floor, the guard's and the horizon."""
        floor_deg = max(
            target.altitude_floor_deg, self._settings.policies.safety.altitude_floor_deg
        )
        return self.table.window(target.name, floor_deg, self.horizon)

    def worth_part(self, whole: str, group: int, within: Interval) -> float:
        """What a second within an interval is worth, in the mean, of one of a clear dark night at
        the zenith: by air and Moon, under one seeing. `frames.depth` measures what it was.
        """
        target_name = self._settings.targets.of(whole)[0].name
        count = 2 + int(within.duration_s / 300.0)
        moments = np.linspace(within.start_unix_s, within.end_unix_s, count)
        quality = np.interp(moments, self.table.unix_s, self._quality[target_name, group])
        area = self.table.airmass(target_name, moments) ** STAR_AREA_EXPONENT
        return float(np.mean(np.nan_to_num(quality / area)))

    def _group_quality(self, target: Target, group: Group) -> np.ndarray:
        """How good its sky is for the group's filters, on the table's grid, (moments,); no NaN."""
        moments, parts = self.table.unix_s, self._moonlight_parts(group)
        sky_nl = self.table.sky_nl(target.name, moments, float(np.mean(parts)))
        return sky_quality(self.table.airmass(target.name, moments), sky_nl)

    def _moonlight_parts(self, group: Group) -> list[float]:
        """How much the moonlight counts for each of the group's filters."""
        known = self._settings.observatory.filters
        return [moonlight_part(known[name].bandwidth_nm) for name in group.filters]


def _place(target: Target) -> tuple[float, float]:
    return target.ra_deg, target.dec_deg
