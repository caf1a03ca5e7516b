"""Where frames are kept: their names, the files, and how often the disk refused them in a row."""

from datetime import date, datetime
from pathlib import Path

from nightloom.executor import Executor
from nightloom.frames.header import HeaderFacts, header_to_judge, judged_cards
from nightloom.frames.image import Pixels
from nightloom.frames.writer import FrameExists, FrameNotWritten, amend_frame, write_frame
from nightloom.ledger import Sub, number_of
from nightloom.settings.frame_path import NameFacts, NamePattern
from nightloom.telemetry import Log
from nightloom.telemetry.events import FrameLost

UNWRITTEN_MAX = 3
"""Frames in a row that the disk refused: by then it will not take the next one either."""


class FramesNotKept(Exception):
    """The disk refuses frame after frame: gathering more would be for nothing."""

    def __init__(self, frames: int, last: Exception) -> None:
        super().__init__(f"{frames} frames in a row were not written; the last: {last}")
        self.frames, self.last = frames, last


class FrameDisk:
    """The folder of frames; without one nothing is written and nothing refused."""

    def __init__(
        self, folder: Path | None, pattern: str, night: date, store: Executor, log: Log
    ) -> None:
        self.folder = folder
        self._pattern, self._night = NamePattern(pattern), night
        self._store, self._log = store, log
        self._refusals: list[Exception] = []

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

    async def write(self, sub: Sub, data: Pixels, facts: HeaderFacts) -> str:
        """Put a frame of (rows, columns) ADU on disk; the reason when it does not take it."""
        if self.folder is None:
            return ""
        try:
            await self._store(write_frame, self.folder / sub.path, data, header_to_judge(facts))
        except (FrameExists, FrameNotWritten) as error:
            return self._lost(sub, error)
        self._refusals.clear()
        return ""

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
        """Raise FramesNotKept once too many frames in a row were refused."""
        if len(self._refusals) >= UNWRITTEN_MAX:
            raise FramesNotKept(len(self._refusals), self._refusals[-1])

    def _lost(self, sub: Sub, error: FrameExists | FrameNotWritten) -> str:
        """A frame that is not on disk does not count."""
        self._log.emit(FrameLost(uid=sub.uid, reason=str(error)))
        self._refusals.append(error)
        return str(error)
