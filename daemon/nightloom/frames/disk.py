"""Where frames are kept: their names, the files, and how often the disk refused them in a row."""

from datetime import date, datetime
from math import inf
from pathlib import Path

from nightloom.errors import FramesNotKept
from nightloom.executor import Executor
from nightloom.frames.header import HeaderFacts, header_to_judge, judged_cards
from nightloom.frames.image import Frame
from nightloom.frames.writer import (
    BLOCK_BYTES,
    FrameExists,
    FrameNotWritten,
    amend_frame,
    free_bytes,
    write_frame,
)
from nightloom.ledger import Frame as Entered
from nightloom.ledger import Sub, number_of
from nightloom.settings.frame_path import NameFacts, NamePattern
from nightloom.telemetry import Log
from nightloom.telemetry.events import DiskFilling, FrameLost

UNWRITTEN_MAX = 3
"""Frames in a row that the disk refused: by then it will not take the next one either."""

RESERVED_BYTES = 16 * 2**20
"""Left for the log and the ledger, which must go on to the night's end."""

USUAL_FRAME_BYTES = 52 * 10**6
"""A frame of 26 megapixels, until one was seen."""

FEW_FRAMES = (300, 30)
"""It is told when there is room for no more frames than a long night takes, and shortly before the
end; so that somebody may make room.
"""


class FrameDisk:
    """The folder of frames; without one nothing is written and nothing refused."""

    def __init__(
        self, folder: Path | None, pattern: str, night: date, store: Executor, log: Log
    ) -> None:
        self.folder = folder
        self._pattern, self._night = NamePattern(pattern), night
        self._store, self._log = store, log
        self._refusals: list[Exception] = []
        self._warnings = list(FEW_FRAMES)
        self._frames_left = inf

    def path(self, sub: Sub, start: datetime) -> str:
        """Where the frame of a sub goes, below the folder; empty without one."""
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
        return str(self._pattern.path(facts))

    async def write(self, sub: Sub, data: Frame, facts: HeaderFacts) -> str:
        """Put a frame on disk; the reason when it does not take it."""
        if self.folder is None:
            return ""
        try:
            await self._store(write_frame, self.folder / sub.path, data, header_to_judge(facts))
        except (FrameExists, FrameNotWritten) as error:
            return self._lost(sub, error)
        self._refusals.clear()
        await self._look_ahead(max(data.nbytes, BLOCK_BYTES))  # a list of stars may be empty
        return ""

    async def look(self) -> None:
        """See whether there is room before the first frame. Raises FramesNotKept."""
        if self.folder is not None:
            await self._look_ahead(USUAL_FRAME_BYTES)
            self.check()

    async def _look_ahead(self, frame_bytes: int) -> None:
        """Reckon how many more frames the disk has room for, and say so when they are few."""
        assert self.folder is not None
        room_bytes = await self._store(free_bytes, self.folder) - RESERVED_BYTES
        self._frames_left = max(0, room_bytes // frame_bytes)
        if self._warnings and self._frames_left < self._warnings[0]:
            self._warnings = [few for few in self._warnings if few <= self._frames_left]
            self._log.emit(DiskFilling(folder=str(self.folder), frames_left=self._frames_left))

    async def amend(self, sub: Sub | Entered, judged: HeaderFacts) -> tuple[str, str]:
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

    def holds(self, frame: Entered) -> bool:
        """Whether the file of a frame is there: a person may have removed it."""
        return self.folder is not None and (self.folder / frame.path).is_file()

    def check(self) -> None:
        """Raise FramesNotKept once there is no room, or too many frames in a row were refused."""
        if self._frames_left < 1:
            raise FramesNotKept(f"The disk that holds {self.folder} has no room for another frame.")
        if len(self._refusals) >= UNWRITTEN_MAX:
            raise FramesNotKept(
                f"{len(self._refusals)} frames in a row were not written; the last:"
                f" {self._refusals[-1]}."
            )

    def _lost(self, sub: Sub | Entered, error: FrameExists | FrameNotWritten) -> str:
        """A frame that is not on disk does not count."""
        self._log.emit(FrameLost(uid=sub.uid, reason=str(error)))
        self._refusals.append(error)
        return str(error)
