"""The interface with somebody behind it who notes what is asked, and callers of all kinds."""

import asyncio
import json
import socket
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from nightloom.remote.server import remote
from nightloom.requests import Answer, Ask, Done, Refused, Request, Skip, Told
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom.settings.remote import RemotePolicy
from nightloom.status import Status
from nightloom.telemetry import Event, Log
from nightloom.telemetry import events as e
from nightloom.telemetry.nights import log_file
from nightloom_drivers.clock import WallClock

NIGHT = date(2026, 11, 10)
TOKEN = "0123456789abcdef" * 4
PROMPT_S = 2.0


@dataclass
class Reply:
    """What came back."""

    code: int
    headers: dict[str, str]
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Hall:
    """An interface that is up."""

    folder: Path
    log: Log
    port: int = 0
    heard: list[tuple[Request, str]] = field(default_factory=list)
    logged: list[Event] = field(default_factory=list)
    loop: asyncio.AbstractEventLoop | None = None
    callers: list[asyncio.StreamWriter] = field(default_factory=list)
    status: Status = field(
        default_factory=lambda: Status(
            utc=datetime(2026, 11, 10, 22, tzinfo=UTC), observatory="Test", phase="gathering"
        )
    )

    def answer(self, request: Request, origin: str) -> Answer:
        self.heard.append((request, origin))
        if isinstance(request, Ask):
            return Told(status=self.status)
        if isinstance(request, Skip) and request.target == "mistake":
            raise KeyError("a mistake")
        return Refused(why="Not now.") if isinstance(request, Skip) else Done(said="So be it.")

    def note(self, _: datetime, event: Event) -> None:
        self.logged.append(event)
        if isinstance(event, e.RemoteListening):
            self.port = int(event.url.rstrip("/").rpartition(":")[2])

    def happens(self, event: Event) -> None:
        """Something is logged, as somebody in another thread wants it."""
        assert self.loop is not None
        self.loop.call_soon_threadsafe(self.log.emit, event)

    def refusals(self) -> list[str]:
        return [one.reason for one in self.logged if isinstance(one, e.RemoteRefused)]

    async def speaks(self, limit: int = 2**16) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """A caller of any kind, who takes no more than about `limit` bytes without reading."""
        caller = socket.socket()
        caller.setblocking(False)
        caller.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, limit)
        await asyncio.get_running_loop().sock_connect(caller, ("127.0.0.1", self.port))
        both = await asyncio.open_connection(sock=caller, limit=limit)
        self.callers.append(both[1])
        return both

    async def asks(
        self,
        path: str,
        headers: Mapping[str, str] | None = None,
        *,
        method: str = "GET",
        body: bytes = b"",
        token: str | None = None,
    ) -> Reply:
        """A well-behaved caller, who is answered promptly."""
        async with asyncio.timeout(PROMPT_S):
            reader, writer = await self.speaks()
            try:
                writer.write(request(path, self.port, headers, method, body, token))
                code, told = await head(reader)
                return Reply(code, told, b"" if code == 304 else await reader.read())
            finally:
                writer.transport.abort()


def request(
    path: str,
    port: int,
    headers: Mapping[str, str] | None = None,
    method: str = "GET",
    body: bytes = b"",
    token: str | None = None,
) -> bytes:
    """A request as its bytes, over a connection that is for it alone."""
    said = {"Host": f"127.0.0.1:{port}", "Connection": "close"}
    if body:
        said["Content-Length"] = str(len(body))
    if token is not None:
        said["Authorization"] = f"Bearer {token}"
    lines = [
        f"{method} {path} HTTP/1.1",
        *(f"{k}: {v}" for k, v in {**said, **(headers or {})}.items()),
    ]
    return "\r\n".join([*lines, "", ""]).encode() + body


async def head(reader: asyncio.StreamReader) -> tuple[int, dict[str, str]]:
    """An answer's status and headers."""
    first, *lines = (await reader.readuntil(b"\r\n\r\n")).decode().splitlines()
    pairs = (line.partition(": ") for line in lines if line)
    return int(first.split()[1]), {name.lower(): value for name, _, value in pairs}


def settings_for(folder: Path, **said: Any) -> Settings:
    """The demo's, with an output folder and a table [remote]."""
    demo = read_settings(demo_folder())
    seen = RemotePolicy.model_validate({"port": 0, **said})
    return Settings(
        demo.observatory.model_copy(update={"output_folder": folder}),
        demo.targets,
        demo.policies.model_copy(update={"remote": seen}),
        demo.rig,
    )


def with_token(folder: Path, mode: int = 0o600, token: str = TOKEN) -> Path:
    """A file with a token."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "token"
    file.touch(mode=0o600)
    file.write_text(token + "\n")
    file.chmod(mode)
    return file


def inside(folder: Path, story: Callable[[Hall], Awaitable[None]], **said: Any) -> Hall:
    """Let a story be told while the interface is up, with a log in its folder."""

    async def tell() -> Hall:
        log = Log(WallClock(), path=log_file(folder, NIGHT))
        hall = Hall(folder, log, loop=asyncio.get_running_loop())
        try:
            with log.listen(hall.note):
                async with remote(settings_for(folder, **said), hall.answer, log, WallClock()):
                    try:
                        await story(hall)
                    finally:
                        for caller in hall.callers:
                            caller.transport.abort()
                        await asyncio.sleep(0)
        finally:
            log.close()
        return hall

    return asyncio.run(tell())
