"""What a night promises, checked on its own events: a list of what was broken, empty when nothing.

Even, safe and plain are judged here, from the outside; open and sharp are figures of the account.
"""

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from nightloom.cycle import unevenness
from nightloom.ledger import Ledger
from nightloom.night.phases import Phase
from nightloom.programme.cycles import cycle_of
from nightloom.settings import Target
from nightloom.telemetry import Event
from nightloom.telemetry import events as e

UNEVENNESS_MAX = 1.0
"""No filter may be further from its share than one cycle."""


class Promises:
    """Listens to a night's events and notes each promise that is broken."""

    def __init__(self, targets: Iterable[Target]) -> None:
        self._targets = {target.name: target for target in targets}
        self.violations: list[str] = []
        self.unevenness = 0.0
        self._parked = True
        self._closed = True
        self._phase = Phase.ASLEEP
        self._begun: dict[str, tuple[str, str]] = {}
        self._counted: set[str] = set()
        self._here: set[tuple[str, str]] = set()
        self._accepted_s: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))

    def observe(self, utc: datetime, event: Event) -> None:
        """Take one event of the log."""
        match event:
            case e.PhaseChanged(after=after):
                self._phase = Phase(after)
            case e.MountParked():
                self._parked = True
            case e.MountUnparked():
                self._parked = False
                self._demand(not self._closed, utc, "the mount was unparked under a closed roof")
            case e.RoofOpened():
                self._demand(self._parked, utc, "the roof opened over a mount not parked")
                self._closed = False
            case e.RoofClosed():
                self._demand(self._parked, utc, "the roof closed over a mount not parked")
                self._closed = True
            case e.Slewed() | e.Dithered():
                self._here.clear()
            case e.SubBegun(uid=uid, target=target, filter=name):
                self._demand(self._phase is Phase.GATHERING, utc, f"{uid} begun {self._phase}")
                pair = self._begun[uid] = (target, name)
                self._demand(pair not in self._here, utc, f"{uid} is {name} where one was taken")
                self._here.add(pair)
            case e.SubCancelled(uid=uid) if uid in self._begun:
                self._here.discard(self._begun[uid])
            case e.FrameKept():
                self._count(utc, event.uid)
                self._weigh(utc, event)
            case e.FrameRejected():
                self._count(utc, event.uid)
            case e.NightEnded():
                self._demand(self._parked, utc, "the night ended with the mount not parked")
                self._demand(self._closed, utc, "the night ended with the roof not closed")
            case _:
                pass

    def audit(self, ledger: Ledger, night: str, folder: Path | None) -> None:
        """Compare the ledger with the events and the disk, after the night."""
        for intent in ledger.unfinished():
            self.violations.append(f"{intent.kind} {intent.detail} was begun and has no outcome")
        for sub in ledger.in_flight():
            self.violations.append(f"{sub.uid} is {sub.stage} and has no verdict")
        frames = ledger.frames(night=night)
        if {frame.uid for frame in frames} != self._counted:
            self.violations.append("the ledger's frames are not those of the log")
        for frame in frames if folder is not None else ():
            path = folder / frame.path if folder is not None else Path()
            if not path.is_file():
                self.violations.append(f"{frame.path} is not on disk")
            elif hashlib.sha256(path.read_bytes()).hexdigest() != frame.sha256:
                self.violations.append(f"{frame.path} is not as it was written")

    def _weigh(self, utc: datetime, kept: e.FrameKept) -> None:
        accepted_s = self._accepted_s[kept.target]
        accepted_s[kept.filter] += kept.exposure_s
        now = max(
            (
                unevenness(cycle_of(lacking), accepted_s)
                for group in self._targets[kept.target].groups
                if (lacking := group.lacking(accepted_s))
            ),
            default=0.0,
        )
        self.unevenness = max(self.unevenness, now)
        self._demand(now <= UNEVENNESS_MAX, utc, f"{kept.target} is uneven by {now:.2f} cycles")

    def _count(self, utc: datetime, uid: str) -> None:
        self._demand(uid not in self._counted, utc, f"{uid} was counted twice")
        self._counted.add(uid)

    def _demand(self, kept: bool, utc: datetime, otherwise: str) -> None:
        if not kept:
            self.violations.append(f"{utc:%H:%M:%S} {otherwise}")
