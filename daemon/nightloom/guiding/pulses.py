"""What a guide port is asked to do."""

from dataclasses import dataclass
from enum import Enum


class Direction(Enum):
    """Where a pulse moves the telescope."""

    WEST = "west"
    EAST = "east"
    NORTH = "north"
    SOUTH = "south"


@dataclass(frozen=True)
class Pulses:
    """Pulse lengths in ms; both axes run at the same time, and one side of an axis is always 0."""

    west_ms: int = 0
    east_ms: int = 0
    north_ms: int = 0
    south_ms: int = 0

    @property
    def duration_ms(self) -> int:
        """How long until the last of them ends."""
        return max(self.west_ms, self.east_ms, self.north_ms, self.south_ms)

    @classmethod
    def one(cls, direction: Direction, duration_ms: int) -> "Pulses":
        """A single pulse."""
        return cls(**{f"{direction.value}_ms": duration_ms})
