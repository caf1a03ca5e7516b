"""Where a person's requests meet the night: what is asked is in force when this returns.

What must outlive a crash is in the ledger: somebody may be standing at a paused rig when the daemon
starts again, a target that was set aside stays so, and a night that was ended stays ended.
"""

import asyncio
from datetime import datetime

from nightloom.ledger import Intent, Ledger, LedgerError
from nightloom.night.phases import Phase
from nightloom.requests import Change, Done, Pause, Refused, Reload, Resume, Retire, Skip
from nightloom.schedule.schedule import Schedule
from nightloom.status import Account
from nightloom.telemetry import Log
from nightloom.telemetry.events import OperatorAsked
from nightloom_drivers.clock import Clock

PAUSE, SKIP, RETIRE = "pause", "skip", "retire"
"""Kinds of acts in the ledger."""

OPEN_PAUSE_S = 1800.0
"""So long nothing moves in a pause; then who asked for it may have gone, and the rig closes."""

FORGOTTEN = " The ledger did not take it: a daemon that starts anew does not know of it."

ENDING = {Phase.RETIRING, Phase.STRANDED}


def logged(change: Change | Reload, origin: str, answer: Done | Refused) -> OperatorAsked:
    """A request as the log has it."""
    asked: str = change.request
    match change:
        case Retire(now=True):
            asked += " now"
        case Skip(target=str(name)):
            asked += f" {name}"
    said = answer.said if isinstance(answer, Done) else answer.why
    return OperatorAsked(request=asked, origin=origin, answer=said)


def noted(ledger: Ledger, kind: str, detail: dict[str, str], at: datetime) -> str:
    """Write down what was asked; what to add to the answer when that fails."""
    try:
        ledger.finish(ledger.begin(kind, detail, at), "asked", at)
    except LedgerError:
        return FORGOTTEN
    return ""


class Desk:
    """What persons have asked of one night, and who waits for it."""

    def __init__(
        self, schedule: Schedule, ledger: Ledger, account: Account, clock: Clock, log: Log
    ) -> None:
        self._schedule, self._ledger, self._account = schedule, ledger, account
        self._clock, self._log = clock, log
        self._pause: int | None = None
        self._paused, self._resumed = asyncio.Event(), asyncio.Event()
        self._skipped, self._ended, self._now = asyncio.Event(), asyncio.Event(), asyncio.Event()
        self.paused_by = ""
        """Who asked for the pause that is in force."""
        self.retiring_for = ""
        """Who asked for the end of the night."""

    # For the door -----------------------------------------------------------------------------

    def take(self, change: Change, origin: str) -> Done | Refused:
        """Put a request in force, or say why it cannot be; both are logged with its origin."""
        answer = self._take(change, origin)
        self._log.emit(logged(change, origin, answer))
        return answer

    def _take(self, change: Change, origin: str) -> Done | Refused:
        phase = Phase(self._account.phase)
        if isinstance(change, Retire):
            return self._retire(change, origin, phase)
        if phase is Phase.ASLEEP:
            return Refused(why="No night is under way.")
        if phase in ENDING or self.retiring_for:
            return Refused(why="The night is ending: the rig is parked and closed.")
        match change:
            case Pause():
                return self._begin_pause(origin)
            case Resume():
                return self._end_pause(origin)
            case Skip(target=target):
                return self._skip(target, origin)

    def _begin_pause(self, origin: str) -> Done | Refused:
        if self.paused_by:
            return Refused(why=f"The night is paused already, by {self.paused_by}.")
        self.paused_by = origin
        self._resumed.clear()
        self._paused.set()
        kept = ""
        try:
            self._pause = self._begin(PAUSE, {"origin": origin})
        except LedgerError:
            kept = FORGOTTEN
        return Done(
            said="The night is paused: nothing is exposed or moved until it is resumed; after"
            f" {OPEN_PAUSE_S / 60:g} min, in bad weather and at the end of the dark the rig is"
            f" parked and closed all the same.{kept}"
        )

    def _end_pause(self, origin: str) -> Done | Refused:
        if not self.paused_by:
            return Refused(why="The night is not paused.")
        kept = self._finish_pause(f"resumed by {origin}")
        self._paused.clear()
        self._resumed.set()
        return Done(said=f"The night goes on.{kept}")

    def _skip(self, name: str | None, origin: str) -> Done | Refused:
        wanted = name or self._account.target
        if not wanted:
            return Refused(why="No target runs now; name the one to leave alone.")
        left = [one.name for one in self._schedule.targets if wanted in (one.name, one.whole)]
        if not left:
            known = ", ".join(dict.fromkeys(one.whole for one in self._schedule.targets))
            return Refused(why=f"There is no target {wanted}; there are {known}.")
        self._set_aside(wanted)
        if self._account.target in left:
            self._skipped.set()
            self._skipped = asyncio.Event()
        kept = self._note(SKIP, {"target": wanted, "origin": origin})
        return Done(said=f"{wanted} is left alone for the rest of the night.{kept}")

    def _retire(self, retire: Retire, origin: str, phase: Phase) -> Done | Refused:
        if phase is Phase.ASLEEP:
            return Refused(why="No night is under way.")
        if phase in ENDING or (self.retiring_for and not retire.now):
            self._ended.set()  # calibration frames might come yet
            return Done(said="The night is ending already: the rig is parked and closed.")
        known, self.retiring_for = bool(self.retiring_for), self.retiring_for or origin
        if retire.now:
            self._now.set()
        self._ended.set()
        kept = "" if known else self._note(RETIRE, {"origin": origin})
        soon = "at once" if retire.now else "as soon as a sub that ends soon has ended"
        return Done(said=f"The night ends: the rig is parked and closed, {soon}.{kept}")

    # For the night ----------------------------------------------------------------------------

    def recall(self) -> None:
        """Take up what was asked before a daemon that died. Raises LedgerError."""
        night = str(self._schedule.night)
        last = self._ledger.last_act(PAUSE)
        if last is not None and last.outcome is None and self.keeps(last):
            self._pause, self.paused_by = last.id, last.detail["origin"]
            self._paused.set()
        for act in self._ledger.acts(SKIP):
            if act.detail["night"] == night:
                self._set_aside(act.detail["target"])

    def keeps(self, act: Intent) -> bool:
        """Whether an act that nobody finished goes on in this night."""
        return act.kind == PAUSE and act.detail["night"] == str(self._schedule.night)

    def over(self) -> None:
        """The night is over, and a pause with it."""
        if self.paused_by:
            self._finish_pause("the night ended")

    async def until_paused(self) -> str:
        """Wait for a pause, at once when one is in force; who asked for it."""
        await self._paused.wait()
        return self.paused_by

    async def until_resumed(self) -> None:
        """Wait for the end of a pause."""
        while self.paused_by:
            self._resumed.clear()
            await self._resumed.wait()

    async def until_skipped(self) -> None:
        """Wait until the running target is set aside from now on."""
        await self._skipped.wait()

    @property
    def ends(self) -> bool:
        """Whether a person has asked for the end."""
        return self._ended.is_set()

    async def until_ended(self) -> None:
        """Wait for the end of the night to be asked for."""
        await self._ended.wait()

    async def until_now(self) -> None:
        """Wait until not even a sub that ends soon may end."""
        await self._now.wait()

    # How --------------------------------------------------------------------------------------

    def _set_aside(self, name: str) -> None:
        """Leave a target, a panel or a whole mosaic alone until dawn."""
        left_s = self._schedule.dark.end_unix_s - self._clock.unix_s()
        for target in self._schedule.targets:
            if name in (target.name, target.whole):
                self._schedule.set_aside(target, max(0.0, left_s))

    def _begin(self, kind: str, detail: dict[str, str]) -> int:
        night = {"night": str(self._schedule.night)}
        return self._ledger.begin(kind, night | detail, self._clock.now())

    def _note(self, kind: str, detail: dict[str, str]) -> str:
        night = {"night": str(self._schedule.night)}
        return noted(self._ledger, kind, night | detail, self._clock.now())

    def _finish_pause(self, outcome: str) -> str:
        """Let the pause be over, also in the ledger; what to add when that fails."""
        self.paused_by = ""
        pause, self._pause = self._pause, None
        if pause is None:
            return ""
        try:
            self._ledger.finish(pause, outcome, self._clock.now())
        except LedgerError:
            return FORGOTTEN
        return ""
