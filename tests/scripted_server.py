"""A server that says what a test wants it to say, byte for byte, and notes what it is asked."""

import asyncio
import xml.etree.ElementTree as ET
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any


class ScriptedServer:
    """One client at a time. `opening` answers getProperties; `asked` holds the rest it sent."""

    def __init__(self, opening: str | bytes) -> None:
        self.opening = opening
        self.connections = 0
        self.answers_pings = True
        self.asked: list[ET.Element] = []
        self._changed = asyncio.Event()
        self._writer: asyncio.StreamWriter | None = None
        self.port = 0

    def say(self, text: str | bytes) -> None:
        """Send something to the client."""
        assert self._writer is not None
        self._writer.write(text.encode() if isinstance(text, str) else text)

    async def taken(self) -> None:
        """Wait until the client has taken most of what was said. Raises ConnectionError."""
        assert self._writer is not None
        await self._writer.drain()

    def drop(self) -> None:
        """Close the connection."""
        assert self._writer is not None
        self._writer.close()

    def of(self, tag: str) -> list[ET.Element]:
        """The requests with this tag so far."""
        return [element for element in self.asked if element.tag == tag]

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait until what was asked fulfils a condition."""
        async with asyncio.timeout(10):
            while not condition():
                self._changed.clear()
                await self._changed.wait()

    async def asked_more(self) -> None:
        """Wait until something more is asked."""
        self._changed.clear()
        await self._changed.wait()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Read one client to its end; XML that does not parse fails the test by its error."""
        self.connections += 1
        self._changed.set()
        self._writer = writer
        parser: Any = ET.XMLPullParser(["start", "end"])
        parser.feed("<stream>")
        depth = 0
        try:
            while data := await reader.read(65536):
                parser.feed(data)
                for kind, element in parser.read_events():
                    depth += 1 if kind == "start" else -1
                    if kind == "end" and depth == 1:
                        self._note(element)
        except ConnectionError:
            pass
        finally:
            writer.close()

    def _note(self, element: ET.Element) -> None:
        if element.tag == "pingRequest":
            if self.answers_pings:
                self.say(f"<pingReply uid='{element.get('uid')}'/>\n")
        elif element.tag == "getProperties":
            self.say(self.opening)
        else:
            self.asked.append(element)
            self._changed.set()


@asynccontextmanager
async def scripted(opening: str | bytes) -> AsyncIterator[ScriptedServer]:
    """Run a scripted server for the block."""
    script = ScriptedServer(opening)
    server = await asyncio.start_server(script.serve, "127.0.0.1", 0)
    script.port = server.sockets[0].getsockname()[1]
    try:
        yield script
    finally:
        server.close()
        if script._writer is not None:
            script._writer.close()
