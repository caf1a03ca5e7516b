"""Callers are taken in so many a second, and wait outside; who is silent in a greeting, too."""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Iterator

import pytest

from nightloom.remote.accepting import BETWEEN_CALLERS_S, GREETED_MAX, WAITING_MAX, accept
from nightloom_drivers.clock import real_monotonic_s


@pytest.fixture
def listening() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0), backlog=WAITING_MAX) as listening:
        listening.setblocking(False)
        yield listening


@pytest.fixture
def callers(listening: socket.socket) -> Iterator[list[socket.socket]]:
    """Who come all at once, and say nothing."""
    with contextlib.ExitStack() as stack:
        yield [
            stack.enter_context(socket.create_connection(listening.getsockname()))
            for _ in range(60)
        ]


def test_a_crowd_is_taken_in_one_after_another(
    listening: socket.socket, callers: list[socket.socket]
) -> None:
    taken: list[asyncio.BaseTransport] = []

    class Taken(asyncio.Protocol):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            taken.append(transport)

    async def story() -> None:
        began_s = real_monotonic_s()
        accepting = asyncio.create_task(accept(listening, Taken, None))
        async with asyncio.timeout(20.0):
            while len(taken) < len(callers):
                await asyncio.sleep(0)
                most = 2 + (real_monotonic_s() - began_s) / BETWEEN_CALLERS_S
                assert len(taken) <= most
        accepting.cancel()
        await asyncio.wait([accepting])
        for transport in taken:
            transport.close()
        await asyncio.sleep(0)

    asyncio.run(story())


def test_who_is_silent_in_the_handshake_does_not_fill_the_place(
    listening: socket.socket, callers: list[socket.socket]
) -> None:
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)

    def sent_away() -> int:
        gone = 0
        for caller in callers:
            caller.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                gone += caller.recv(1) == b""
        return gone

    async def story() -> None:
        accepting = asyncio.create_task(accept(listening, asyncio.Protocol, tls))
        async with asyncio.timeout(20.0):
            while sent_away() < len(callers) - GREETED_MAX:  # noqa: ASYNC110
                await asyncio.sleep(0.05)
        accepting.cancel()
        await asyncio.wait([accepting])
        await asyncio.sleep(0)

    asyncio.run(story())
