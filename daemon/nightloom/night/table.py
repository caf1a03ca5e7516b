"""The night, as one table: what each phase does, what watches beside it, and where it may lead.

Everything else is read off the rows: the legal moves, the watchers, and the diagram in
DEVELOPERS.md. Where the roof may be open the weather is watched; where the rig is being made safe
nothing may hold that up. `Phases.move` is the only way from one phase to another.
"""

from collections.abc import Callable, Coroutine, Iterator, Mapping
from enum import Enum
from typing import NamedTuple

from nightloom.night.acquire import acquire
from nightloom.night.calibrate import calibrate
from nightloom.night.context import Context
from nightloom.night.cross import cross
from nightloom.night.gather import gather
from nightloom.night.hold import hold_out
from nightloom.night.interrupts import WATCHES, Cut
from nightloom.night.pause import pause
from nightloom.night.phases import Next, Phase
from nightloom.night.ready import ready
from nightloom.night.retire import retire, strand
from nightloom.night.shelter import shelter
from nightloom.telemetry import Log
from nightloom.telemetry.events import PhaseChanged

P = Phase
Work = Callable[[Context], Coroutine[object, object, Next[Phase]]]


class Roof(Enum):
    """What a phase means for the roof."""

    MAY_BE_OPEN = "may be open"
    CLOSES = "closes"
    """The phase begins by making the rig safe."""


class Row(NamedTuple):
    """One phase: its work, the roof, where its work may lead on what occasion, and what cuts in."""

    work: Work
    roof: Roof
    leads: Mapping[Phase, str]
    cuts: Mapping[Cut, Phase]


_OPEN: Mapping[Cut, Phase] = {
    Cut.MISTAKE: P.RETIRING,
    Cut.UNSAFE: P.SHELTERING,
    Cut.OPERATOR: P.RETIRING,
    Cut.DAWN: P.RETIRING,
    Cut.NOT_SAFE: P.STRANDED,
    Cut.UNKEPT: P.RETIRING,
    Cut.TROUBLE: P.READYING,
    Cut.LIMIT: P.READYING,
    Cut.PAUSE: P.PAUSING,
}
"""What cuts into every phase in which the roof may be open."""

_TARGET: Mapping[Cut, Phase] = {**_OPEN, Cut.SKIP: P.ACQUIRING}
"""What cuts in while there is a target to set aside."""

_AFTER_DAWN: Mapping[Cut, Phase] = {
    Cut.DAY: P.RETIRING,
    **{
        cut: P.RETIRING if after is P.READYING else after
        for cut, after in _OPEN.items()
        if cut is not Cut.DAWN
    },
}
"""What cuts in when the dark hours are over: nothing leads back into them."""

_CLOSING: Mapping[Cut, Phase] = {
    Cut.MISTAKE: P.STRANDED,
    Cut.NOT_SAFE: P.STRANDED,
    Cut.UNKEPT: P.STRANDED,
    Cut.TROUBLE: P.STRANDED,
}
"""Nothing but its own failure cuts into making safe."""

NIGHT: Mapping[Phase, Row] = {
    P.READYING: Row(
        ready,
        Roof.MAY_BE_OPEN,
        {
            P.ACQUIRING: "the rig is ready and a target is up",
            P.SHELTERING: "unsafe weather before opening",
            P.RETIRING: "nothing is left to do",
        },
        _OPEN,
    ),
    P.ACQUIRING: Row(
        acquire,
        Roof.MAY_BE_OPEN,
        {
            P.GATHERING: "centred, guiding, in focus",
            P.ACQUIRING: "another target",
            P.READYING: "no target is up",
            P.HOLDING: "the sky may be at fault",
        },
        _TARGET,
    ),
    P.GATHERING: Row(
        gather,
        Roof.MAY_BE_OPEN,
        {
            P.CROSSING: "the pier's limit is near",
            P.ACQUIRING: "another target, or the pointing is lost",
            P.READYING: "nothing else is up",
            P.RETIRING: "no sub fits before dawn",
        },
        {**_TARGET, Cut.CLOUD: P.HOLDING},
    ),
    P.CROSSING: Row(
        cross,
        Roof.MAY_BE_OPEN,
        {
            P.GATHERING: "the target is held from the other side",
            P.ACQUIRING: "another target",
            P.READYING: "the mount stays on its side",
            P.HOLDING: "the sky may be at fault",
        },
        _TARGET,
    ),
    P.HOLDING: Row(
        hold_out,
        Roof.MAY_BE_OPEN,
        {
            P.GATHERING: "the stars are back",
            P.ACQUIRING: "the stars may be back, or another target",
            P.RETIRING: "the cloud stays",
        },
        _TARGET,
    ),
    P.PAUSING: Row(
        pause,
        Roof.MAY_BE_OPEN,
        {P.READYING: "a person said to go on"},
        {cut: after for cut, after in _OPEN.items() if cut is not Cut.PAUSE},
    ),
    P.SHELTERING: Row(
        shelter,
        Roof.CLOSES,
        {P.READYING: "the weather is safe again"},
        {**_CLOSING, Cut.OPERATOR: P.RETIRING, Cut.DAWN: P.RETIRING},
    ),
    P.RETIRING: Row(
        retire,
        Roof.CLOSES,
        {P.ASLEEP: "parked and closed", P.CALIBRATING: "calibration frames are lacking"},
        _CLOSING,
    ),
    P.CALIBRATING: Row(
        calibrate,
        Roof.MAY_BE_OPEN,
        {P.RETIRING: "what could be taken is taken"},
        _AFTER_DAWN,
    ),
    P.STRANDED: Row(strand, Roof.CLOSES, {P.RETIRING: "trying again"}, _CLOSING),
}
"""The whole night but for its first move, which is from asleep to readying."""


def moves() -> Iterator[tuple[Phase, Phase, str]]:
    """Every legal move and its occasions, in the order of the rows."""
    yield P.ASLEEP, P.READYING, "dusk, or a night found under way"
    for phase, row in NIGHT.items():
        occasions: dict[Phase, list[str]] = {after: [why] for after, why in row.leads.items()}
        for cut, after in row.cuts.items():
            occasions.setdefault(after, []).append(cut.value)
        for after, whys in occasions.items():
            yield phase, after, ", ".join(whys)


class IllegalMove(RuntimeError):
    """A move that the table does not hold: a mistake in the daemon, never in the night."""


class Phases:
    """The phase of one night, and the one function that changes it."""

    def __init__(self, log: Log) -> None:
        self.now = Phase.ASLEEP
        self._log = log

    def move(self, after: Phase, reason: str) -> None:
        """Go to a phase. Raises IllegalMove when the table does not lead there."""
        if not any((this, then) == (self.now, after) for this, then, _ in moves()):
            raise IllegalMove(f"no way from {self.now} to {after} ({reason})")
        before, self.now = self.now, after
        self._log.emit(PhaseChanged(before=before, after=after, reason=reason))


def watched(row: Row) -> list[Cut]:
    """What is watched for beside a phase's work; making safe has no eyes for anything weaker."""
    unwatched = {Cut.TROUBLE, Cut.UNKEPT} if row.roof is Roof.CLOSES else set()
    return [cut for cut in row.cuts if cut in WATCHES and cut not in unwatched]


def diagram() -> str:
    """The table as a Mermaid state diagram."""
    lines = [f"    {before} --> {after}: {occasion}" for before, after, occasion in moves()]
    return "\n".join(["stateDiagram-v2", *lines, ""])
