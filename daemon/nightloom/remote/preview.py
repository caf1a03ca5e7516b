"""The last frame as a small picture, made by a process of its own at the lowest priority.

It reads a frame that is on disk already, so that it takes nothing from the night but idle time; its
memory goes when it ends.
"""

import asyncio
from pathlib import Path

from nightloom.own_script import run_script
from nightloom.status import FrameStatus

DEADLINE_S = 30.0

PAINTER = Path(__file__).with_name("painter.py")


class Preview:
    """The picture of the last frame that somebody asked to see."""

    def __init__(self, output_folder: Path) -> None:
        self._frames = output_folder / "frames"
        self._painting = asyncio.Lock()
        self._uid, self._jpeg = "", b""

    async def of(self, frame: FrameStatus) -> bytes | None:
        """A JPEG of a frame, None when there is none. One is made at a time, and each once."""
        async with self._painting:
            if frame.uid != self._uid:
                self._jpeg = await self._painted(frame)
                self._uid = frame.uid
        return self._jpeg or None

    async def _painted(self, frame: FrameStatus) -> bytes:
        if not frame.path:
            return b""
        try:
            return await _painted(self._frames / frame.path)
        except OSError:
            return b""  # no process can be had now: a picture is not worth more


async def _painted(file: Path) -> bytes:
    try:
        status, painted = await run_script(PAINTER, str(file), deadline_s=DEADLINE_S)
    except TimeoutError:
        return b""
    return painted if status == 0 else b""
