"""Callers are taken in one after another, so many a second: more wait in the system's queue, where
they cost the night nothing.
"""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable

BETWEEN_CALLERS_S = 0.01

WAITING_MAX = 100
"""So many wait in the queue: the last of them for a second."""

GREETING_S = 10.0
"""A caller's half of the TLS handshake comes within it."""

GREETED_MAX = 16
"""Handshakes at a time; who comes meanwhile is sent away."""

NO_ROOM_S = 1.0
"""Until the next try where the system has no room for another connection."""


async def accept(
    listening: socket.socket,
    protocol: Callable[[], asyncio.Protocol],
    tls: ssl.SSLContext | None,
) -> None:
    """Take callers in until cancelled."""
    loop = asyncio.get_running_loop()
    greeting = set[asyncio.Task[None]]()

    async def greet(caller: socket.socket) -> None:
        with contextlib.suppress(OSError):  # it left, or spoke no TLS
            await loop.connect_accepted_socket(
                protocol, caller, ssl=tls, ssl_handshake_timeout=GREETING_S if tls else None
            )

    try:
        while True:
            try:
                caller, _ = await loop.sock_accept(listening)
            except OSError:
                await asyncio.sleep(NO_ROOM_S)
                continue
            if len(greeting) < GREETED_MAX:
                task = loop.create_task(greet(caller))
                greeting.add(task)
                task.add_done_callback(greeting.discard)
            else:
                caller.close()
            await asyncio.sleep(BETWEEN_CALLERS_S)
    finally:
        for task in greeting:
            task.cancel()
