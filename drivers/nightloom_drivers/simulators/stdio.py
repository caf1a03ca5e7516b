"""A driver's standard input and output under the C indiserver.

indiserver gives a driver one socket pair as both. indipydriver would set its reading end to
non-blocking, and with it the writing end, so that long frames would be cut; so here two threads
read and write the blocking descriptors and leave their modes alone.
"""

import asyncio
import logging
import os
import threading
import xml.etree.ElementTree as ET
from concurrent.futures import ThreadPoolExecutor

from indipydriver import IPyDriver

log = logging.getLogger(__name__)

_CHUNK = 65536


class StandardStreams:
    """What indipydriver calls a communications object; its `ended` is set at the input's end."""

    def __init__(self, driver: IPyDriver, read_fd: int, write_fd: int) -> None:
        self._driver, self._read_fd, self._write_fd = driver, read_fd, write_fd
        self._chunks: asyncio.Queue[bytes] = asyncio.Queue()
        self._writer = ThreadPoolExecutor(1, "stdout")
        self.ended = asyncio.Event()

    async def run_rx(self) -> None:
        """Hand each message to the driver, until the server is gone."""
        loop = asyncio.get_running_loop()
        threading.Thread(target=self._read, args=(loop,), name="stdin", daemon=True).start()
        messages = _Messages()
        while data := await self._chunks.get():
            for message in messages.feed(data):
                await self._driver._readdata(message)  # noqa: SLF001  (how servers call drivers)
        self.ended.set()

    async def run_tx(self, message: ET.Element) -> None:
        """Write one message, whole and in its turn."""
        loop, data = asyncio.get_running_loop(), ET.tostring(message) + b"\n"
        try:
            await loop.run_in_executor(self._writer, self._write, data)
        except ConnectionError:  # The server is gone; the reader may hear of it later.
            self.ended.set()

    def shutdown(self) -> None:
        """Nothing: the threads end with the streams, or with the process."""

    def _read(self, loop: asyncio.AbstractEventLoop) -> None:
        data = b"-"
        while data:
            try:
                data = os.read(self._read_fd, _CHUNK)
            except ConnectionError:
                data = b""
            loop.call_soon_threadsafe(self._chunks.put_nowait, data)

    def _write(self, data: bytes) -> None:
        left = memoryview(data)
        while left:
            left = left[os.write(self._write_fd, left) :]


class _Messages:
    """Cuts a stream of INDI messages, which has no root, into its elements."""

    def __init__(self) -> None:
        self._begin()

    def feed(self, data: bytes) -> list[ET.Element]:
        """The messages that are complete now; a broken one is logged and what follows is read."""
        try:
            self._parser.feed(data)
        except ET.ParseError as error:
            log.warning("unreadable message: %s", error)
            self._begin()
            return []
        complete: list[ET.Element] = []
        for event in self._parser.read_events():
            match event:
                case ("start", ET.Element()):
                    self._depth += 1
                case ("end", ET.Element() as element):
                    self._depth -= 1
                    if self._depth == 0:
                        complete.append(element)
                        self._root.remove(element)
        return complete

    def _begin(self) -> None:
        self._parser: ET.XMLPullParser[ET.Element] = ET.XMLPullParser(("start", "end"))
        self._parser.feed(b"<stream>")
        (begun,) = self._parser.read_events()
        match begun:
            case ("start", ET.Element() as root):
                self._root, self._depth = root, 0
