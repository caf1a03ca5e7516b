"""Tonight's schedule: which target is due by the plan, with which filters, and for how long."""

import math
from collections.abc import Mapping, Sequence
from datetime import date

from nightloom.ledger import Ledger, tally_s, whole_tally_s
from nightloom.schedule import Block, Choice, Plan
from nightloom.schedule.gathered import Gathered, lacking, wanted_s
from nightloom.schedule.panels import level, next_panel, visit_cycles
from nightloom.schedule.windows import LEAST_WINDOW_S, STEP_S, NightWindows, darkness, sun_down_s
from nightloom.settings import AskedSub, Settings, Target
from nightloom.sky import HOUR_S, Interval, hour_angle_h
from nightloom.telemetry.figures import duration
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
        self.cut_early = self.dark.end_unix_s < darkness(settings, night).end_unix_s
        """Whether the dark hours end before dawn, as it was asked for."""
        self._sun_down_s = sun_down_s(settings, night)
        self._windows = {target.name: self._offers.windows(target) for target in self.targets}
        self._aside_until_s: dict[str, float] = {}
        self._plan: Plan | None = None
        self._begun: str | None = None
        """The target that the night had last."""
        self._planned_s = 0.0

    @property
    def targets(self) -> tuple[Target, ...]:
        """All targets, in the order of the settings."""
        return self._settings.targets.targets

    def due_s(self) -> float:
        """When the next target may be acquired by the plan; without end when none is planned.

        The first one of the night begins before the dark, so that gathering begins with it.
        """
        self._held()
        block = self._next_block()
        if block is None:
            return math.inf
        begins_s = block.start_unix_s
        if begins_s <= self.dark.start_unix_s:
            begins_s = self.dark.start_unix_s - self._settings.policies.acquire.begin_before_s
        aside_s = [self._aside_until_s.get(one.name, begins_s) for one in self._members(block)]
        return max(begins_s, min(aside_s))

    def opens_s(self, due_s: float) -> float:
        """When the roof opens for something that is due: early enough for the air to settle, and
        not before the Sun is down.
        """
        acquire = self._settings.policies.acquire
        early_s = acquire.open_before_s
        if due_s < self.dark.start_unix_s:
            early_s = max(0.0, early_s - acquire.begin_before_s)
        return max(due_s - early_s, self._sun_down_s)

    def _next_block(self) -> Block | None:
        """The plan's present or next block."""
        return min(self.blocks, key=lambda block: block.start_unix_s, default=None)

    def over(self) -> bool:
        """Whether the dark hours are over."""
        return self._clock.unix_s() >= self.dark.end_unix_s

    def gathered(self, target: Target, pending_s: Mapping[str, float] = NOTHING) -> Gathered:
        """What the ledger holds of it; `pending_s` have no verdict yet. Raises LedgerError."""
        accepted_s, tonight_s = tally_s(self._ledger, target), NOTHING
        if target.limits_a_night:
            panels = self._settings.targets.of(target.whole)
            tonight_s = whole_tally_s(self._ledger, panels, str(self.night))
        usual_worth = None
        if target.count == "depth":
            exposed_s = sum(self._ledger.accepted_s(target.name).values())
            usual_worth = sum(accepted_s.values()) / exposed_s if exposed_s else 1.0
        return Gathered(accepted_s, pending_s, tonight_s, usual_worth or None)

    def finished(self) -> bool:
        """Whether no target that still lacks anything will be up any more tonight."""
        latest_s = self._clock.unix_s() + max(LEAST_WINDOW_S, self._offers.least_session_s)
        return not any(
            window.end_unix_s >= latest_s
            for target in self.targets
            for number in lacking(target, self.gathered(target))
            for window in self._offers.group_windows(target, number)
        )

    def choose(self) -> Target | None:
        """The target to begin with, by a plan made anew; None when it has none for now."""
        block = self._held().at(self._plan_time_s())
        return None if block is None else self._due(block)  # before the dark the plan is ahead

    def choice(self, running: Target, gathered: Gathered) -> Choice:
        """What a plan that still holds has for a running target, and after it."""
        self._begun = running.name
        plan = self._held(running, gathered)
        finish_first = self._is_nearly_complete(running, gathered)
        now_s = self._plan_time_s()
        if running.whole == running.name:
            return Choice(plan, now_s, running.name, finish_first)
        block = plan.at(now_s)
        due = None
        if block is not None and block.target == running.whole:
            due = self._due(block, running, gathered)
        panel = running.name if due is None else due.name
        return Choice(plan, now_s, running.name, finish_first, running.whole, panel)

    @property
    def blocks(self) -> tuple[Block, ...]:
        """What the plan that was made last has from now on; it is not made anew."""
        now_s = self._plan_time_s()
        blocks = self._plan.blocks if self._plan is not None else ()
        return tuple(block for block in blocks if block.end_unix_s > now_s)

    def cycle_filters(self, target: Target, gathered: Gathered) -> dict[str, AskedSub]:
        """The filters of the target that are taken in turn now: those of its group that lack."""
        now_s, lacks = self._plan_time_s(), lacking(target, gathered)
        block = self._plan.at(now_s) if self._plan is not None else None
        if block is not None and block.target == target.whole and block.group in lacks:
            return lacks[block.group]
        open_now = [
            number
            for number in lacks
            if any(now_s in window for window in self._offers.group_windows(target, number))
        ]
        first = next(iter(open_now or lacks), None)
        return target.groups[0].filters if first is None else lacks[first]

    def reason(self, target: Target) -> str:
        """Why it is due, for the log."""
        now_s = self._plan_time_s()
        block = self._plan.at(now_s) if self._plan is not None else None
        if block is None:
            return "the plan has it next"
        planned = duration(block.end_unix_s - now_s)
        return f"planned for {planned} from now, priority {target.priority}"

    def set_aside(self, target: Target, for_s: float = SET_ASIDE_S) -> None:
        """Leave a target alone for a while."""
        self._aside_until_s[target.name] = self._clock.unix_s() + for_s
        self._plan = None

    def take_back(self, target: Target) -> None:
        """Undo `set_aside`."""
        self._aside_until_s.pop(target.name, None)
        self._plan = None

    def windows(self, target: Target) -> Sequence[Interval]:
        """When any group of the target may run tonight, in order."""
        return self._windows[target.name]

    def reaches_s(self, target: Target, hour_angle_h: float) -> float:
        """Time until the target comes to an hour angle; negative when it has passed there."""
        return HOUR_S * (hour_angle_h - self.hour_angle_h(target, self._clock.unix_s()))

    def hour_angle_h(self, target: Target, at_s: float) -> float:
        """Hour angle of the target, west positive."""
        return float(hour_angle_h(self.site, target.ra_deg, target.dec_deg, at_s))

    def airmass(self, target: Target, at_s: float) -> float:
        """Airmass of the target."""
        return float(self.table.airmass(target.name, at_s))

    def sun_altitude_deg(self, at_s: float) -> float:
        """Altitude of the Sun's centre."""
        return float(self.table.sun_altitude(at_s))

    def lit_ratio(self, target: Target, at_s: float) -> float:
        """How many times as bright as a dark one Sun and Moon make the sky at the target."""
        return float(self.table.lit_ratio(target.name, at_s))

    def altitude_deg(self, target: Target, at_s: float) -> float:
        """Altitude of the target."""
        return float(self.table.altitude_azimuth(target.name, at_s)[0])

    def _is_aside(self, name: str) -> bool:
        return self._clock.unix_s() < self._aside_until_s.get(name, 0.0)

    def _plan_time_s(self) -> float:
        """The present, or the beginning of the plan before it."""
        return max(self._clock.unix_s(), self.dark.start_unix_s)

    def _held(self, running: Target | None = None, gathered: Gathered | None = None) -> Plan:
        """The plan, made anew where it does not hold any more."""
        now_s = self._plan_time_s()
        if self._plan is None or self._is_stale(self._plan, running, gathered, now_s):
            self._plan, self._planned_s = self._made(running, gathered, now_s), now_s
        return self._plan

    def _is_stale(
        self, plan: Plan, running: Target | None, gathered: Gathered | None, now_s: float
    ) -> bool:
        """After a while; once its group is complete; and, with no target running, by and by."""
        due = plan.at(now_s)
        if now_s >= self._planned_s + PLAN_AGAIN_S:
            return True
        if due is None:
            return False
        if running is None and now_s > self._planned_s:
            return True
        return not any(
            due.group in lacking(one, self._has(one, running, gathered))
            for one in self._members(due)
        )

    def _is_nearly_complete(self, running: Target, gathered: Gathered) -> bool:
        """Whether a group that may run now lacks less than the plan can see."""
        now_s, taken_s = self._clock.unix_s(), gathered.taken_s
        tonight_s = gathered.taken_tonight_s
        return any(
            wanted_s(filters, taken_s, tonight_s) < STEP_S
            for number, filters in lacking(running, gathered).items()
            if any(now_s in window for window in self._offers.group_windows(running, number))
        )

    def _members(self, block: Block) -> tuple[Target, ...]:
        """The target of a block, or the panels of its mosaic."""
        return self._settings.targets.of(block.target)

    def _has(self, target: Target, running: Target | None, gathered: Gathered | None) -> Gathered:
        """What a target has, read anew unless it is that of the running one that is given."""
        return gathered if gathered is not None and target == running else self.gathered(target)

    def _due(
        self, block: Block, running: Target | None = None, gathered: Gathered | None = None
    ) -> Target | None:
        """The target of a block, or the panel that is due in it; None while all are set aside."""
        members = [one for one in self._members(block) if not self._is_aside(one.name)]
        if len(self._members(block)) == 1 or not members:
            return members[0] if members else None
        now_s = self._plan_time_s()
        levels: dict[str, int] = {}
        for one in members:
            has = self._has(one, running, gathered)
            lacks = lacking(one, has).get(block.group)
            up = any(now_s in window for window in self._offers.group_windows(one, block.group))
            if lacks and up:
                levels[one.name] = level(lacks, has.taken_s)
        if not levels:
            return members[0]
        names = list(levels)
        at = names.index(running.name) if running is not None and running.name in levels else None
        visit = visit_cycles(members[0].groups[block.group].filters, members[0].visit_s)
        due = names[next_panel(list(levels.values()), at, visit)]
        return self._settings.targets.named(due)

    def _made(self, running: Target | None, gathered: Gathered | None, now_s: float) -> Plan:
        every = {target.name: self._has(target, running, gathered) for target in self.targets}
        return self._offers.plan(
            now_s,
            lambda name: every[name].taken_s,
            lambda name: every[name].taken_tonight_s,
            None if running is None else running.name,
            self._aside_until_s,
            self._begun,
        )
