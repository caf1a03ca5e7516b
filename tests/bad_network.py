"""A network between a client and a server that delays, stalls, swallows and cuts, by chance.

It swallows on the way to the client only: a server answers half a request by ending the connection.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Badness:
    """How often, for each piece of up to 4 KiB, what happens to it; and how long it waits then."""

    delayed: float = 0.2
    delay_s: float = 0.05
    stalled: float = 0.02
    stall_s: float = 1.0
    swallowed: float = 0.02
    cut: float = 0.02


class BadNetwork:
    """Passes connections on to a server, badly until it is `mended`."""

    def __init__(self, server_port: int, badness: Badness, seed: int) -> None:
        self.port = 0
        self.mended = False
        self.swallowed = self.cuts = 0
        self._server_port, self._badness = server_port, badness
        self._chance = np.random.default_rng(seed)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, until either side or chance ends it."""
        try:
            there = await asyncio.open_connection("127.0.0.1", self._server_port)
        except OSError:
            writer.transport.abort()
            return
        ways = [
            asyncio.create_task(self._pass_on(reader, there[1], swallowing=False)),
            asyncio.create_task(self._pass_on(there[0], writer, swallowing=True)),
        ]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            for end in (writer, there[1]):
                end.transport.abort()

    async def _pass_on(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, swallowing: bool
    ) -> None:
        with contextlib.suppress(ConnectionError):
            while piece := await reader.read(4096):
                if not self.mended and not (piece := await self._harmed(piece, swallowing)):
                    return
                writer.write(piece)
                await writer.drain()

    async def _harmed(self, piece: bytes, swallowing: bool) -> bytes:
        """What is left of a piece; nothing when the connection is cut."""
        bad, dice = self._badness, self._chance.random(4)
        if dice[0] < bad.cut:
            self.cuts += 1
            return b""
        if dice[1] < bad.stalled:
            await asyncio.sleep(bad.stall_s)
        if dice[2] < bad.delayed:
            await asyncio.sleep(bad.delay_s)
        if swallowing and dice[3] < bad.swallowed and len(piece) > 1:
            self.swallowed += 1
            return piece[: len(piece) // 2]
        return piece


@asynccontextmanager
async def bad_network(server_port: int, badness: Badness, seed: int) -> AsyncIterator[BadNetwork]:
    """A bad network before a server for the block."""
    network = BadNetwork(server_port, badness, seed)
    server = await asyncio.start_server(network.serve, "127.0.0.1", 0)
    network.port = server.sockets[0].getsockname()[1]
    try:
        yield network
    finally:
        server.close()
