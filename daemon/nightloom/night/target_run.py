"""The running target: what the next sub hangs on is read here, once a sub, and then decided on."""

from collections.abc import Callable
from dataclasses import replace

from nightloom.cycle import Cycle, Taken, cycles_done
from nightloom.faults import GivenUp, Part
from nightloom.ledger import Ledger, Stage, Sub, number_of, uid_of
from nightloom.night.next_sub import Ending, Facts, Planned, SideFacts, cut_short, decide, following
from nightloom.night.phases import Next, Phase
from nightloom.night.pointings import Pointings
from nightloom.night.reduced import reduced
from nightloom.safety import Guard
from nightloom.schedule.costs import Weaving, crossing_cost_s
from nightloom.schedule.gathered import Gathered
from nightloom.schedule.schedule import Schedule
from nightloom.settings import AskedSub, Settings, Target, cycle_of
from nightloom_drivers.clock import Clock, steady_s
from nightloom_drivers.devices import PierSide

RECENT_CYCLES = 4
"""So many cycles of subs are looked back on: making up may take two cycles' time for one."""


class TargetRun:
    """Decides from the tally, never from a counter, what is due on the running target."""

    def __init__(
        self,
        settings: Settings,
        schedule: Schedule,
        guard: Guard,
        ledger: Ledger,
        clock: Clock,
        given_up: GivenUp,
        in_focus: Callable[[str], bool] = lambda _: True,
    ) -> None:
        self._settings, self._schedule, self._guard = settings, schedule, guard
        self._ledger, self._clock = ledger, clock
        self._night = str(schedule.night)
        self._weaving = Weaving(settings, ledger)
        self._given_up, self._in_focus = given_up, in_focus
        self._filter_in = ""
        self._target: Target | None = None
        self._facts: Facts | None = None
        self._number = max((number_of(uid) for uid in ledger.uids(self._night)), default=0)
        self._check_next = False
        self._checked_uid = ""
        self.pointings = Pointings(ledger, self._night)
        """Where the running target stood on the sensor."""
        self.closed_s = 0.0
        """When the shutter closed last."""

    @property
    def running(self) -> Target:
        """The target that was centred last. Raises RuntimeError before the first."""
        if self._target is None:
            raise RuntimeError("no target is running")
        return self._target

    def ran_last(self, target: Target) -> bool:
        """Whether a target is the one that was centred last."""
        return self._target is not None and self._target.name == target.name

    def ran_beside(self, target: Target) -> bool:
        """Whether another panel of a target's mosaic was centred last."""
        last = self._target
        return last is not None and last.whole == target.whole and last.name != target.name

    def start(self, target: Target, place_px: tuple[float, float]) -> None:
        """A target was centred: it runs, at a pointing of its own. Raises LedgerError."""
        self._target = target
        self.pointings.start(target.name, place_px)

    def turned_to(self, filter_name: str) -> None:
        """The wheel was seen to stand at a filter."""
        self._filter_in = filter_name

    def keep_filter(self) -> bool:
        """Go on in the filter that the wheel is in; whether it is known."""
        return bool(self._filter_in)

    def possible_filter(self, wanted: str) -> str:
        """The filter that is wanted, or the one that a stuck wheel is in."""
        stuck = self._given_up.without(Part.WHEEL, self._clock.unix_s())
        return self._filter_in if stuck else wanted

    def filters(self, target: Target, gathered: Gathered) -> dict[str, AskedSub]:
        """The filters of a target that are taken in turn now, as far as the rig can."""
        now_s, given_up = self._clock.unix_s(), self._given_up
        unguided = any(
            given_up.without(part, now_s) for part in (Part.GUIDE_CAMERA, Part.GUIDE_PORT)
        )
        asked = self._schedule.cycle_filters(target, gathered)
        stuck = given_up.without(Part.WHEEL, now_s)
        return reduced(
            asked,
            [name for name in ([self._filter_in] if stuck else asked) if self._in_focus(name)],
            self._settings.policies.guiding.unguided_s if unguided else None,
        )

    def next_uid(self) -> str:
        """The name of the next sub of this night, which no other has had."""
        self._number += 1
        uid = uid_of(self._night, self._number)
        if self._check_next:
            self._checked_uid = uid
            self._check_next = False
        return uid

    def check_next_sub(self) -> None:
        """The rig has been turned over: should the next sub be rejected, centre the target anew."""
        self._check_next = True

    def shutter_closed(self, planned: Planned) -> None:
        """A sub was taken at the present pointing."""
        self.pointings.taken(planned.filter)
        self.closed_s = steady_s()

    def due(self, before_s: float = 0.0) -> Planned | Ending:
        """The next sub, `before_s` from now, or why there is none. Raises LedgerError."""
        self._facts = facts = self._read(before_s)
        if facts is None:
            why = f"{self.running.name} asks for no filter that can be taken now"
            return Next(Phase.ACQUIRING, why)
        due = decide(facts)
        answered = isinstance(due, Planned) or due.phase is Phase.ACQUIRING
        if facts.failed_check is not None and answered:
            self._checked_uid = ""
        return due

    def cut_short(self, planned: Planned) -> Ending | None:
        """What would cut short a sub that was due, if it began now; None when nothing would.

        Only the clock and the mount have gone on since. Raises RuntimeError when nothing was due.
        """
        if self._facts is None:
            raise RuntimeError("no sub was due")
        return cut_short(self._facts.later(self._clock.unix_s(), self._side()), planned)

    def after(self, filter_name: str, exposure_s: float, left_s: float) -> Planned | Ending | None:
        """What follows a sub that is exposed for so long still, by the facts it was decided on."""
        if self._facts is None:
            return None
        side = self._side()
        side = replace(side, left_s=side.left_s - left_s, east_in_s=side.east_in_s - left_s)
        facts = replace(self._facts, taken_here=self.pointings.taken_here)
        return following(facts.later(self._clock.unix_s() + left_s, side), filter_name, exposure_s)

    def _read(self, before_s: float) -> Facts | None:
        """What the next sub hangs on, read in one go; None where no filter can be taken."""
        target, schedule = self.running, self._schedule
        pending = self._pending(target)
        gathered = schedule.gathered(target, _seconds(pending))
        filters = self.filters(target, gathered)
        if not filters:
            return None
        dither = target.dither.over(self._settings.policies.dither)
        cycle = cycle_of(filters, dither)
        number = cycles_done(cycle, gathered.taken_s) + 1
        weave = self._weaving.weave(cycle, number)
        downloading = [sub.filter for sub in pending if sub.stage is Stage.CLOSED]
        return Facts(
            now_s=self._clock.unix_s(),
            target=target,
            gathered=gathered,
            filters=filters,
            cycle=number,
            weave=weave,
            costs=self._weaving.costs,
            choice=schedule.choice(target, gathered),
            windows=schedule.windows(target),
            dark_end_s=schedule.dark.end_unix_s,
            cut_early=schedule.cut_early,
            side=self._side(),
            recent=self._recent(target, cycle, pending),
            taken_here=self.pointings.taken_here,
            dither=dither,
            downloading=downloading[-1] if downloading else "",
            before_s=before_s,
            failed_check=self._failed_check(),
            make_up_cycles=self._settings.policies.cycle.make_up_cycles,
        )

    def _side(self) -> SideFacts:
        """The side of the pier, now."""
        pier = self._guard.pier
        return SideFacts(
            left_s=self._guard.left_s(),
            may_change=pier.side is PierSide.WEST,
            east_in_s=self._schedule.reaches_s(self.running, pier.changes_at_h),
            stands_still=pier.stands_still,
            crossing_s=crossing_cost_s(self._settings),
        )

    def _pending(self, target: Target) -> list[Sub]:
        """Its subs whose shutter has closed and that have no verdict yet."""
        return [sub for sub in self._ledger.in_flight(target.name) if sub.stage is not Stage.BEGUN]

    def _recent(self, target: Target, cycle: Cycle, pending: list[Sub]) -> list[Taken]:
        """Tonight's latest subs of a cycle's filters, those without a verdict last."""
        number = RECENT_CYCLES * sum(cycle.counts.values())
        judged = self._ledger.latest(target.name, self._night, number)
        recent = [Taken(*one) for one in judged] + [Taken(sub.filter, None) for sub in pending]
        return [taken for taken in recent if taken.filter in cycle.counts]

    def _failed_check(self) -> str | None:
        """Why the sub that is looked at closely was rejected; None while it has no verdict."""
        if not self._checked_uid:
            return ""
        frames = self._ledger.frames(target=self.running.name, night=self._night)
        return next((one.reason for one in frames if one.uid == self._checked_uid), None)


def _seconds(subs: list[Sub]) -> dict[str, float]:
    """Seconds by filter."""
    seconds: dict[str, float] = {}
    for sub in subs:
        seconds[sub.filter] = seconds.get(sub.filter, 0.0) + sub.exposure_s
    return seconds
