"""Where frames are kept: their names, the files, the room for more, and what the disk refused."""

from datetime import date, datetime
from itertools import chain, count
from pathlib import Path

from nightloom.executor import Executor
from nightloom.frames.header import HeaderFacts, header_to_judge, judged_cards
from nightloom.frames.image import Pixels
from nightloom.frames.room import MEGABYTE, USUAL_FRAME_BYTES, Room, RoomTold
from nightloom.frames.writer import (
    FrameExists,
    FrameNotWritten,
    amend_frame,
    free_bytes_of,
    write_frame,
)
from nightloom.ledger import Sub, number_of
from nightloom.settings.frame_path import NameFacts, NamePattern
from nightloom.settings.policies import FramesPolicy
from nightloom.telemetry import Log
from nightloom.telemetry.events import DiskFilling, FrameLost

UNWRITTEN_MAX = 3
"""Frames in a row that the disk refused: by then it will not take the next one either."""


class FramesNotKept(Exception):
    """The disk keeps no more frames: gathering more would be for nothing."""


class DiskRefuses(FramesNotKept):
    """The disk refused frame after frame."""

    def __init__(self, frames: int, last: Exception) -> None:
        super().__init__(f"{frames} frames in a row were not written; the last: {last}")
        self.frames, self.last = frames, last


class NoRoom(FramesNotKept):
    """Beside what is kept free for ledger and log there is no room for another frame."""

    def __init__(self, folder: Path, room: Room) -> None:
        free_mb, frame_mb = room.free_bytes / MEGABYTE, room.frame_bytes / MEGABYTE
        super().__init__(
            f"The disk of {folder} is full: {free_mb:.0f} MB are free, and a frame takes"
            f" {frame_mb:.0f} MB beside the {room.kept_free_bytes / MEGABYTE:.0f} MB that are kept"
            " free (frames.keep_free_mb). Make room, or name another output folder"
        )
        self.folder, self.room = folder, room


class FrameDisk:
    """The folder of frames; without one nothing is written and nothing refused."""

    def __init__(
        self, folder: Path | None, policy: FramesPolicy, night: date, store: Executor, log: Log
    ) -> None:
        self.folder = folder
        self._pattern, self._night = NamePattern(policy.name_pattern), night
        self._kept_free_bytes = policy.kept_free_bytes
        self._frame_bytes = USUAL_FRAME_BYTES
        self._told = RoomTold(policy.warn_below_frames)
        self._store, self._log = store, log
        self._refusals: list[Exception] = []

    def path(self, sub: Sub, start: datetime) -> str:
        """Where the frame of a sub goes, below the folder; empty without one.

        Where another file has its name, a number is put to it: no frame is lost for want of one.
        """
        if self.folder is None:
            return ""
        facts = NameFacts(
            target=sub.target or sub.kind,
            filter=sub.filter,
            kind=sub.kind,
            exposure_s=sub.exposure_s,
            utc=start,
            night=self._night,
            number=number_of(sub.uid),
        )
        wanted = self._pattern.path(facts)
        names = chain([wanted], (wanted.with_stem(f"{wanted.stem}-{n}") for n in count(2)))
        return str(next(name for name in names if not (self.folder / name).exists()))

    async def write(self, sub: Sub, data: Pixels, facts: HeaderFacts) -> str:
        """Put a frame of (rows, columns) ADU on disk; the reason when it does not take it."""
        if self.folder is None:
            return ""
        try:
            await self._store(write_frame, self.folder / sub.path, data, header_to_judge(facts))
        except (FrameExists, FrameNotWritten) as error:
            return self._lost(sub, error)
        self._refusals.clear()
        self._frame_bytes = data.nbytes
        return ""

    async def look(self) -> None:
        """See how much room is left, and say so in time. Raises NoRoom when there is none."""
        if self.folder is None:
            return
        free_bytes = await self._store(free_bytes_of, self.folder)
        if free_bytes is None:  # it is said when a frame is written
            return
        room = Room(free_bytes, self._kept_free_bytes, self._frame_bytes)
        if room.is_full:
            raise NoRoom(self.folder, room)
        if self._told.tells(room):
            self._log.emit(DiskFilling(free_mb=room.free_bytes / MEGABYTE, frames=room.frames))
        self._told = self._told.after(room)

    async def amend(self, sub: Sub, judged: HeaderFacts) -> tuple[str, str]:
        """Put what was judged into a frame's file; its SHA-256, or the reason why it has none.

        Both are empty for a frame that has no file.
        """
        if self.folder is None or not sub.path:
            return "", ""
        path = self.folder / sub.path
        try:
            return await self._store(amend_frame, path, judged_cards(judged)), ""
        except FrameNotWritten as error:
            return "", self._lost(sub, error)

    def check(self) -> None:
        """Raise DiskRefuses once too many frames in a row were refused."""
        if len(self._refusals) >= UNWRITTEN_MAX:
            raise DiskRefuses(len(self._refusals), self._refusals[-1])

    def _lost(self, sub: Sub, error: FrameExists | FrameNotWritten) -> str:
        """A frame that is not on disk does not count."""
        self._log.emit(FrameLost(uid=sub.uid, reason=str(error)))
        self._refusals.append(error)
        return str(error)
