"""What the events of the log tell of the present: a fold, for real and for simulated nights."""

from collections import deque
from dataclasses import dataclass, field
from datetime import datetime

from nightloom.status.model import FrameStatus, ProblemStatus
from nightloom.telemetry import Event
from nightloom.telemetry import events as e
from nightloom.telemetry.words import sentence

PROBLEMS_MAX = 20
"""Older warnings and errors are in the log."""

WITHOUT_TARGET = {"asleep", "readying", "sheltering", "calibrating", "retiring", "stranded"}
"""Phases in which no target is acquired or runs."""


@dataclass
class Account:
    """The present, kept up to date by `observe`."""

    phase: str = "asleep"
    since_utc: datetime | None = None
    reason: str = ""
    night: str = ""
    dark_begins_utc: datetime | None = None
    dark_ends_utc: datetime | None = None
    armed_utc: datetime | None = None
    """When the next night begins, while one is waited for."""
    target: str = ""
    begun: tuple[datetime, e.SubBegun] | None = None
    """The sub that was begun last, until its frame has come down or it was cancelled."""
    looked_utc: datetime | None = None
    found: str = ""
    """The last look at the focus, and what it found."""
    last_frame: FrameStatus | None = None
    problems: deque[ProblemStatus] = field(default_factory=lambda: deque(maxlen=PROBLEMS_MAX))

    def observe(self, utc: datetime, event: Event) -> None:
        """Take one event of the log."""
        if event.level != "info":
            self.problems.append(
                ProblemStatus(utc=utc, level=event.level, event=event.name(), text=sentence(event))
            )
        match event:
            case e.NightArmed(night=night, begins_utc=begins):
                self.night, self.armed_utc = night, begins
                self._enter("asleep", utc, "the night is waited for")
            case e.ServerAwaited(reason=reason):
                self._enter("asleep", utc, f"the INDI server is waited for: {reason}")
            case e.NightBegun(night=night, dark_begins_utc=begins, dark_ends_utc=ends):
                self.night, self.armed_utc = night, None
                self.dark_begins_utc, self.dark_ends_utc = begins, ends
            case e.PhaseChanged(after=after, reason=reason):
                self._enter(after, utc, reason)
            case e.TargetChosen(target=target):
                self.target = target
            case _:
                self._work(utc, event)

    def _work(self, utc: datetime, event: Event) -> None:
        """Take an event of what is done on a target."""
        match event:
            case e.SubBegun():
                self.begun = (utc, event)
            case e.SubEnded(uid=uid) | e.SubCancelled(uid=uid):
                if self.begun is not None and self.begun[1].uid == uid:
                    self.begun = None
            case e.FocusCurve():
                self.looked_utc = utc
                self.found = "a new vertex" if event.accepted else f"no curve: {event.refusal}"
            case e.FocusChecked(verdict=verdict):
                self.looked_utc, self.found = utc, verdict
            case e.FrameAccepted() | e.FrameRejected():
                self.last_frame = FrameStatus(
                    utc=utc,
                    uid=event.uid,
                    target=event.target,
                    filter=event.filter,
                    exposure_s=event.exposure_s,
                    accepted=isinstance(event, e.FrameAccepted),
                    reason=event.reason if isinstance(event, e.FrameRejected) else "",
                    path=event.path,
                    stars=event.stars,
                    half_flux_radius_px=event.half_flux_radius_px,
                    background_adu=event.background_adu,
                )

    def _enter(self, phase: str, utc: datetime, reason: str) -> None:
        self.phase, self.since_utc, self.reason = phase, utc, reason
        if phase in WITHOUT_TARGET:
            self.target = ""
