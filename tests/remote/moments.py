"""Moments of a short rehearsed night: what the daemon told at each, and its log up to then."""

import asyncio
from dataclasses import dataclass
from pathlib import Path

from night.nights import NIGHT, demo
from nightloom.night.context import Context
from nightloom.night.telling import told_of_night
from nightloom.rehearsal import TROUBLES, Rehearsal, play_virtually
from nightloom.status import Status
from nightloom.telemetry.nights import log_file

HOURS = 0.7
STEP_S = 7.0
ALONG = 9
"""Frames with a verdict when the night is well under way."""


@dataclass(frozen=True)
class Moment:
    """What was told, and the length of the log."""

    status: Status
    log_bytes: int


@dataclass(frozen=True)
class Recorded:
    """A night's moments by name; frames and the whole log are in `out`."""

    out: Path
    moments: dict[str, Moment]

    def serve(self, name: str) -> Status:
        """Put the log of that moment where the interface looks for it; what was told then."""
        moment = self.moments[name]
        whole = (self.out / f"{NIGHT}.jsonl").read_bytes()
        there = log_file(self.out, NIGHT)
        there.parent.mkdir(exist_ok=True)
        there.write_bytes(whole[: moment.log_bytes])
        return moment.status


def recorded(out: Path) -> Recorded:
    """Rehearse a night with rain towards its end, and look at it every few seconds."""
    out.mkdir(parents=True, exist_ok=True)
    settings, rig = demo(targets={"L": 60.0, "R": 60.0, "G": 60.0, "B": 60.0})
    rain = tuple(one for one in TROUBLES if one.name == "rain")
    rehearsal = Rehearsal(settings, rig, NIGHT, out, 7, HOURS, troubles=rain)
    moments: dict[str, Moment] = {}

    async def look(context: Context) -> None:
        account = context.account
        while True:
            await asyncio.sleep(STEP_S)
            name = account.phase
            frames = len(context.ledger.frames(night=str(NIGHT)))
            if name == "gathering":
                if context.shutter.left_s is None:
                    continue
                name = "well under way" if frames >= ALONG else "gathering"
            if name not in moments:
                size = rehearsal.log_file.stat().st_size
                moments[name] = Moment(told_of_night(context), size)

    play_virtually(rehearsal, person=look)
    return Recorded(out, moments)
