"""How many more frames a disk has room for, and when that is to be said."""

from dataclasses import dataclass

USUAL_FRAME_BYTES = 52_000_000
"""26 megapixels of 16 bits, until a frame was seen."""

MEGABYTE = 1_000_000


@dataclass(frozen=True)
class Room:
    """What is left of a disk. `kept_free_bytes` are for ledger and log, which must go on."""

    free_bytes: int
    kept_free_bytes: int
    frame_bytes: int = USUAL_FRAME_BYTES

    @property
    def frames(self) -> int:
        """Frames that fit."""
        return max(0, (self.free_bytes - self.kept_free_bytes) // self.frame_bytes)

    @property
    def is_full(self) -> bool:
        """Whether the next frame does not fit."""
        return self.frames == 0


@dataclass(frozen=True)
class RoomTold:
    """What was last said of the room: once it is short, again when half of that is left."""

    below_frames: int

    def tells(self, room: Room) -> bool:
        """Whether there is less room than was said."""
        return room.frames < self.below_frames

    def after(self, room: Room) -> "RoomTold":
        """What is to be said from now on, when it was."""
        return RoomTold((room.frames + 1) // 2) if self.tells(room) else self
