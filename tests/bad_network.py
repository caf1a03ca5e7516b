"""A network between a client and a server that does harm by chance: it delays, splits, stalls,
swallows, repeats, garbles, cuts and half closes.

It swallows, repeats and garbles on the way to the client only: a server answers half a request by
ending the connection.
"""

import asyncio
import contextlib
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

import numpy as np

CRUMB_BYTES = 7
"""Length of the parts of a piece that is split."""


@dataclass(frozen=True)
class Badness:
    """How often, for each piece of up to 4 KiB, what happens to it; and how long it waits then."""

    delayed: float = 0.2
    delay_s: float = 0.05
    stalled: float = 0.02
    stall_s: float = 1.0
    split: float = 0.1
    swallowed: float = 0.02
    repeated: float = 0.02
    garbled: float = 0.02
    half_closed: float = 0.01
    cut: float = 0.02


class BadNetwork:
    """Passes connections on to a server, badly until it is mended; `harm` counts what it did."""

    def __init__(self, server_port: int, badness: Badness, seed: int) -> None:
        self.port = 0
        self.harm: Counter[str] = Counter()
        self._mended = False
        self._server_port, self._badness = server_port, badness
        self._chance = np.random.default_rng(seed)
        self._writers: set[asyncio.StreamWriter] = set()

    def mend(self) -> None:
        """Do no harm from now on, and cut once more: what was garbled may have been believed."""
        self._mended = True
        for writer in self._writers:
            writer.transport.abort()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, until either side or chance ends it."""
        try:
            there = await asyncio.open_connection("127.0.0.1", self._server_port)
        except OSError:
            writer.transport.abort()
            return
        ways = [
            asyncio.create_task(self._pass_on(reader, there[1], to_client=False)),
            asyncio.create_task(self._pass_on(there[0], writer, to_client=True)),
        ]
        self._writers |= {writer, there[1]}
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            for end in (writer, there[1]):
                end.transport.abort()
            self._writers -= {writer, there[1]}

    async def _pass_on(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, to_client: bool
    ) -> None:
        with contextlib.suppress(ConnectionError):
            while piece := await reader.read(4096):
                if not self._mended and not (piece := await self._harmed(piece, to_client)):
                    return
                if not self._mended and self._falls("half_closed"):
                    writer.write_eof()
                    await asyncio.get_running_loop().create_future()
                crumbs = CRUMB_BYTES if not self._mended and self._falls("split") else len(piece)
                for at in range(0, len(piece), crumbs):
                    writer.write(piece[at : at + crumbs])
                    await writer.drain()
                    await asyncio.sleep(0)

    async def _harmed(self, piece: bytes, to_client: bool) -> bytes:
        """What is left of a piece; nothing when the connection is cut."""
        bad = self._badness
        if self._falls("cut"):
            return b""
        if self._falls("stalled"):
            await asyncio.sleep(bad.stall_s)
        if self._falls("delayed"):
            await asyncio.sleep(bad.delay_s)
        if not to_client:
            return piece
        if self._falls("swallowed") and len(piece) > 1:
            piece = piece[: len(piece) // 2]
        if self._falls("repeated"):
            piece += piece
        if self._falls("garbled"):
            at = int(self._chance.integers(len(piece)))
            piece = piece[:at] + self._chance.bytes(1) + piece[at + 1 :]
        return piece

    def _falls(self, what: str) -> bool:
        """Whether chance wills it, once."""
        falls = bool(self._chance.random() < getattr(self._badness, what))
        self.harm[what] += falls
        return falls


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
