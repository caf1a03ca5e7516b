"""Tonight's schedule: which target is due by the plan, with which filters, and for how long."""

import math
from collections.abc import Mapping
from datetime import date

from nightloom.ledger import Ledger
from nightloom.schedule import Block, Plan
from nightloom.schedule.windows import (
    LEAST_WINDOW_S,
    STEP_S,
    NightWindows,
    left_tonight_s,
    sun_down_s,
    wanted_s,
)
from nightloom.settings import Settings, Sub, Target
from nightloom.sky import HOUR_S, Interval, hour_angle_h
from nightloom_drivers.clock import Clock

SET_ASIDE_S = 1800.0
"""A target that could not be centred is left alone for this long: a cloud, a tree, a wire."""

PLAN_AGAIN_S = 900.0
"""A plan is made again after this long, when nothing else asks for it: rejections add up."""

NOTHING: Mapping[str, float] = {}


def ready_from_s(settings: Settings, dark: Interval) -> float:
    """When readying begins, so that the sensor is cold when the roof opens."""
    acquire = settings.policies.acquire
    return dark.start_unix_s - acquire.open_before_s - acquire.cool_before_s


class Schedule:
    """The targets of one night over one site. Raises NoDarkness when there is no such night.

    `hours_max` cuts the dark hours short, for a rehearsal that is to take less time.
    """

    def __init__(
        self,
        settings: Settings,
        night: date,
        clock: Clock,
        ledger: Ledger,
        hours_max: float | None = None,
    ) -> None:
        self.night = night
        self._settings, self._clock, self._ledger = settings, clock, ledger
        self._offers = NightWindows(settings, night, hours_max)
        self.site, self.dark, self.table = (
            self._offers.site,
            self._offers.dark,
            self._offers.table,
        )
        self._sun_down_s = sun_down_s(settings, night)
        self._windows = {target.name: self._offers.windows(target) for target in self.targets}
        self._aside_until_s: dict[str, float] = {}
        self._plan: Plan | None = None
        self._planned_s = 0.0

    @property
    def targets(self) -> tuple[Target, ...]:
        """All targets, in the order of the settings."""
        return self._settings.targets.targets

    def due_s(self) -> float:
        """When the next target may be acquired by the plan; without end when none is planned.

        The first one of the night begins before the dark, so that gathering begins with it.
        """
        self._block(None, NOTHING, 0.0)
        begins_s = self._next_begins_s()
        if begins_s <= self.dark.start_unix_s:
            return self.dark.start_unix_s - self._settings.policies.acquire.begin_before_s
        return begins_s

    def opens_s(self, due_s: float) -> float:
        """When the roof opens for something that is due: early enough for the air to settle, and
        not before the Sun is down.
        """
        acquire = self._settings.policies.acquire
        early_s = acquire.open_before_s
        if due_s < self.dark.start_unix_s:
            early_s = max(0.0, early_s - acquire.begin_before_s)
        return max(due_s - early_s, self._sun_down_s)

    def _next_begins_s(self) -> float:
        """When the plan's present or next block begins."""
        now_s = max(self._clock.unix_s(), self.dark.start_unix_s)
        blocks = self._plan.blocks if self._plan is not None else ()
        return min((b.start_unix_s for b in blocks if b.end_unix_s > now_s), default=math.inf)

    def over(self) -> bool:
        """Whether the dark hours are over."""
        return self._clock.unix_s() >= self.dark.end_unix_s

    def finished(self) -> bool:
        """Whether no target that still lacks anything will be up any more tonight."""
        latest_s = self._clock.unix_s() + LEAST_WINDOW_S
        return not any(
            window.end_unix_s >= latest_s
            for target in self.targets
            for number in self._lacking(target)
            for window in self._offers.group_windows(target, number)
        )

    def choose(
        self,
        running: Target | None = None,
        pending_s: Mapping[str, float] = NOTHING,
        ahead_s: float = 0.0,
    ) -> Target | None:
        """The target that the plan has for now; None when it has none.

        Asked without a `running` target the plan is made anew, as after an interruption.
        `pending_s` are seconds by filter of the running one that were taken and have no verdict
        yet. With `ahead_s` the plan is looked up so much later, or earlier, unless it has nothing
        there. A running target that lacks less than a step of the plan is finished first.
        """
        block = self._block(running, pending_s, ahead_s)
        if running is not None and block is not None and block.target != running.name:
            return running if self._is_nearly_complete(running, pending_s) else self._named(block)
        return None if block is None else self._named(block)

    def cycle_filters(
        self, target: Target, pending_s: Mapping[str, float] = NOTHING
    ) -> dict[str, Sub]:
        """The filters of the target that are taken in turn now: those of its group that lack."""
        now_s = max(self._clock.unix_s(), self.dark.start_unix_s)
        lacking = self._lacking(target, pending_s)
        block = self._plan.at(now_s) if self._plan is not None else None
        if block is not None and block.target == target.name and block.group in lacking:
            return lacking[block.group]
        open_now = [
            number
            for number in lacking
            if any(now_s in window for window in self._offers.group_windows(target, number))
        ]
        first = next(iter(open_now or lacking), None)
        return target.groups[0].filters if first is None else lacking[first]

    def reason(self, target: Target) -> str:
        """Why it is due, for the log."""
        now_s = max(self._clock.unix_s(), self.dark.start_unix_s)
        block = self._plan.at(now_s) if self._plan is not None else None
        if block is None:
            return "the plan has it next"
        minutes = (block.end_unix_s - now_s) / 60
        return f"the plan has it for {minutes:.0f} min, priority {target.priority}"

    def set_aside(self, target: Target, for_s: float = SET_ASIDE_S) -> None:
        """Leave a target alone for a while."""
        self._aside_until_s[target.name] = self._clock.unix_s() + for_s
        self._plan = None

    def take_back(self, target: Target) -> None:
        """Undo `set_aside`."""
        self._aside_until_s.pop(target.name, None)
        self._plan = None

    def window_end_s(self, target: Target) -> float:
        """When the target's present or next window ends; the past when it has none left."""
        now_s = self._clock.unix_s()
        ends = [w.end_unix_s for w in self._windows[target.name] if w.end_unix_s > now_s]
        return min(ends, default=now_s)

    def lacks(self, target: Target, pending_s: Mapping[str, float] = NOTHING) -> bool:
        """Whether the target may still take seconds tonight."""
        return bool(self._lacking(target, pending_s))

    def stays_up(self, target: Target, from_s: float, for_s: float) -> bool:
        """Whether the target may run from a moment on for so long."""
        return any(
            window.start_unix_s <= from_s and from_s + for_s <= window.end_unix_s
            for window in self._windows[target.name]
        )

    def reaches_s(self, target: Target, hour_angle_h: float) -> float:
        """Time until the target comes to an hour angle; negative when it has passed there."""
        return HOUR_S * (hour_angle_h - self.hour_angle_h(target, self._clock.unix_s()))

    def hour_angle_h(self, target: Target, at_s: float) -> float:
        """Hour angle of the target, west positive."""
        return float(hour_angle_h(self.site, target.ra_deg, target.dec_deg, at_s))

    def airmass(self, target: Target, at_s: float) -> float:
        """Airmass of the target."""
        return float(self.table.airmass(target.name, at_s))

    def altitude_deg(self, target: Target, at_s: float) -> float:
        """Altitude of the target."""
        return float(self.table.altitude_azimuth(target.name, at_s)[0])

    def _block(
        self, running: Target | None, pending_s: Mapping[str, float], ahead_s: float
    ) -> Block | None:
        """The block of the plan that is due, out of a plan that still holds."""
        now_s = max(self._clock.unix_s(), self.dark.start_unix_s)
        if self._plan is None or self._is_stale(self._plan, running, pending_s, now_s):
            self._plan, self._planned_s = self._made(running, pending_s, now_s), now_s
        return self._plan.at(now_s + ahead_s) or self._plan.at(now_s)

    def _is_stale(
        self, plan: Plan, running: Target | None, pending_s: Mapping[str, float], now_s: float
    ) -> bool:
        due = plan.at(now_s)
        if now_s >= self._planned_s + PLAN_AGAIN_S:
            return True
        if due is None:
            return False
        target = self._named(due)
        complete = due.group not in self._lacking(
            target, pending_s if target == running else NOTHING
        )
        return complete or (running is None and now_s > self._planned_s)

    def _is_nearly_complete(self, running: Target, pending_s: Mapping[str, float]) -> bool:
        """Whether a group that may run now lacks less than the plan can see."""
        now_s = self._clock.unix_s()
        accepted_s = _added(self._ledger.accepted_s(running.name), pending_s)
        return any(
            wanted_s(filters, accepted_s) < STEP_S
            for number, filters in self._lacking(running, pending_s).items()
            if any(now_s in window for window in self._offers.group_windows(running, number))
        )

    def _named(self, block: Block) -> Target:
        return self._settings.targets.named(block.target)

    def _made(self, running: Target | None, pending_s: Mapping[str, float], now_s: float) -> Plan:
        name = None if running is None else running.name

        def counted(target: str, night: str | None) -> Mapping[str, float]:
            accepted_s = self._ledger.accepted_s(target, night=night)
            return _added(accepted_s, pending_s if target == name else NOTHING)

        return self._offers.plan(
            now_s,
            lambda target: counted(target, None),
            lambda target: counted(target, str(self.night)),
            name,
            self._aside_until_s,
        )

    def _lacking(
        self, target: Target, pending_s: Mapping[str, float] = NOTHING
    ) -> dict[int, dict[str, Sub]]:
        """The filters that lack seconds, for each group that may go on tonight."""
        accepted_s = _added(self._ledger.accepted_s(target.name), pending_s)
        lacking = {n: group.lacking(accepted_s) for n, group in enumerate(target.groups)}
        if target.maximum_hours is not None:
            tonight_s = self._ledger.accepted_s(target.name, night=str(self.night))
            if left_tonight_s(target, _added(tonight_s, pending_s)) <= 0:
                return {}
        return {number: filters for number, filters in lacking.items() if filters}


def _added(first: Mapping[str, float], second: Mapping[str, float]) -> dict[str, float]:
    return {name: first.get(name, 0.0) + second.get(name, 0.0) for name in {*first, *second}}
