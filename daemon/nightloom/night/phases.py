"""Where the night is, and where it may go from there: the whole table, data before code.

`Phases.move` is the only way from one phase to another. Every move is in MOVES and is logged with
its reason; `diagram` draws the table for DEVELOPERS.md.
"""

from enum import StrEnum
from typing import NamedTuple

from nightloom.telemetry import Log
from nightloom.telemetry.events import PhaseChanged


class Phase(StrEnum):
    """Where the night is."""

    ASLEEP = "asleep"
    """Parked, closed and warm; nothing runs."""
    READYING = "readying"
    """Connecting, cooling, opening, unparking."""
    ACQUIRING = "acquiring"
    """Slewing, solving, centring, beginning to guide, focusing."""
    GATHERING = "gathering"
    """Taking subs in cycles."""
    CROSSING = "crossing"
    """Waiting for the meridian and changing the side of the pier."""
    SHELTERING = "sheltering"
    """Parked and closed from bad weather, or holding under cloud."""
    RETIRING = "retiring"
    """Parking, closing, warming up."""
    STRANDED = "stranded"
    """Could not park or close: tries again, and calls for a person."""


class Move(NamedTuple):
    """One legal transition and the occasions on which it is taken."""

    before: Phase
    after: Phase
    occasion: str


P = Phase
MOVES: tuple[Move, ...] = (
    Move(P.ASLEEP, P.READYING, "dusk, or a night found under way"),
    Move(P.READYING, P.ACQUIRING, "the rig is ready and a target is up"),
    Move(P.READYING, P.SHELTERING, "unsafe weather"),
    Move(P.READYING, P.READYING, "device trouble"),
    Move(P.READYING, P.RETIRING, "dawn, operator, or trouble without end"),
    Move(P.ACQUIRING, P.GATHERING, "centred, guiding, in focus"),
    Move(P.ACQUIRING, P.ACQUIRING, "another target"),
    Move(P.ACQUIRING, P.SHELTERING, "unsafe weather or cloud"),
    Move(P.ACQUIRING, P.READYING, "device trouble"),
    Move(P.ACQUIRING, P.RETIRING, "dawn, operator, or trouble without end"),
    Move(P.GATHERING, P.CROSSING, "the pier's limit is near"),
    Move(P.GATHERING, P.ACQUIRING, "another target, or the pointing is lost"),
    Move(P.GATHERING, P.SHELTERING, "unsafe weather or cloud"),
    Move(P.GATHERING, P.READYING, "device trouble, or a limit of the pier"),
    Move(P.GATHERING, P.RETIRING, "dawn, operator, or trouble without end"),
    Move(P.CROSSING, P.GATHERING, "the target is held from the other side"),
    Move(P.CROSSING, P.ACQUIRING, "another target"),
    Move(P.CROSSING, P.SHELTERING, "unsafe weather or cloud"),
    Move(P.CROSSING, P.READYING, "the mount stays on its side, or device trouble"),
    Move(P.CROSSING, P.RETIRING, "dawn, operator, or trouble without end"),
    Move(P.SHELTERING, P.READYING, "the weather is safe again, or device trouble"),
    Move(P.SHELTERING, P.SHELTERING, "unsafe weather while holding under cloud"),
    Move(P.SHELTERING, P.ACQUIRING, "the stars are back"),
    Move(P.SHELTERING, P.RETIRING, "dawn, operator, or trouble without end"),
    Move(P.RETIRING, P.ASLEEP, "parked and closed"),
    Move(P.RETIRING, P.RETIRING, "device trouble"),
    Move(P.RETIRING, P.STRANDED, "could not park or close"),
    Move(P.STRANDED, P.RETIRING, "trying again"),
)


class Next(NamedTuple):
    """What a phase hands over when it ends."""

    phase: Phase
    reason: str


class IllegalMove(RuntimeError):
    """A move that the table does not hold: a mistake in the daemon, never in the night."""


class Phases:
    """The phase of one night, and the one function that changes it."""

    def __init__(self, log: Log) -> None:
        self.now = Phase.ASLEEP
        self._log = log

    def move(self, after: Phase, reason: str) -> None:
        """Go to a phase. Raises IllegalMove when the table does not lead there."""
        if not any((move.before, move.after) == (self.now, after) for move in MOVES):
            raise IllegalMove(f"no way from {self.now} to {after} ({reason})")
        before, self.now = self.now, after
        self._log.emit(PhaseChanged(before=before, after=after, reason=reason))


def diagram() -> str:
    """The table as a Mermaid state diagram."""
    lines = [f"    {move.before} --> {move.after}: {move.occasion}" for move in MOVES]
    return "\n".join(["stateDiagram-v2", *lines, ""])
