"""The log from afar, over real sockets: cut, silent, busy or refused, no line is lost or repeated.

The daemon is stood in for by a server of some lines that speaks the same stream; a proxy between
the two cuts connections in the middle of whatever passes.
"""

import asyncio
import json
from collections.abc import Callable, Coroutine
from contextlib import aclosing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import pytest

from nightloom.far_daemon import Daemon, NotHeard, address_of
from nightloom.telemetry.afar import lines_from

TOKEN = "a-word-nobody-may-read"
LINES = [
    json.dumps({"utc": f"2026-11-10T17:{n // 60:02}:{n % 60:02}Z", "event": "é″\u2028", "n": n},
               ensure_ascii=False)
    for n in range(400)
]  # fmt: skip
"""With a letter of two bytes, one of three, and one that some take for the end of a line."""

T = TypeVar("T")
Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Coroutine[object, object, None]]


@dataclass
class Stream:
    """A server of lines: the number of a line is its place."""

    lines: list[str] = field(default_factory=lambda: list(LINES))
    refusals: list[tuple[int, str]] = field(default_factory=list)
    """What the next requests are answered with instead."""
    heads: list[str] = field(default_factory=list)

    async def answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = (await reader.readuntil(b"\r\n\r\n")).decode()
        self.heads.append(head)
        if self.refusals:
            status, body = self.refusals.pop(0)
            writer.write(
                f"HTTP/1.1 {status} No\r\nContent-Length: {len(body)}\r\n\r\n{body}".encode()
            )
        else:
            writer.write(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")
            chunk(writer, "retry: 5000\n\n: still here\n\n")
            fields = dict(
                row.split(": ", 1) for row in head.lower().splitlines()[1:] if ": " in row
            )
            first = int(fields.get("last-event-id", "2026-11-10.-1").rpartition(".")[2]) + 1
            for number, line in enumerate(self.lines[first:], first):
                chunk(writer, f"id: 2026-11-10.{number}\nevent: x\ndata: {line}\n\n")
            if "live=no" in head:
                writer.write(b"0\r\n\r\n")
        await writer.drain()


def chunk(writer: asyncio.StreamWriter, text: str) -> None:
    """In two pieces, so that no piece is an event."""
    data = text.encode()
    for part in (data[: len(data) // 2], data[len(data) // 2 :]):
        writer.write(b"%x\r\n%s\r\n" % (len(part), part))


@dataclass
class Proxy:
    """Passes on what comes, and cuts a connection after so many bytes, each time another number."""

    to: int
    cuts: list[int]

    async def answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        onward, to = await asyncio.open_connection("127.0.0.1", self.to)
        to.write(await reader.readuntil(b"\r\n\r\n"))
        left = self.cuts.pop(0) if self.cuts else None
        while data := await onward.read(997 if left is None else min(997, left)):
            writer.write(data)
            await writer.drain()
            left = None if left is None else left - len(data)
            if left == 0:
                break
        to.close()


async def served(handler: Handler) -> tuple[asyncio.Server, int]:
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await handler(reader, writer)
        finally:
            writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    return server, int(server.sockets[0].getsockname()[1])


async def whole(reading: Coroutine[object, object, T]) -> T:
    """What a reader gets; the client's generators are let go while the loop still runs."""
    got = await reading
    await asyncio.sleep(0)
    await asyncio.get_running_loop().shutdown_asyncgens()
    return got


def heard(stream: Stream, cuts: list[int], *, live: bool, told: list[str]) -> list[str]:
    """What a reader gets, until it has as many lines as there are."""

    async def read() -> list[str]:
        server, port = await served(stream.answer)
        proxy, at = await served(Proxy(port, cuts).answer)
        lines: list[str] = []
        async with server, proxy, asyncio.timeout(20):
            daemon = Daemon(f"http://127.0.0.1:{at}", TOKEN)
            coming = lines_from(daemon, live=live, told=told.append, pauses_s=(0.0,))
            async with aclosing(coming):
                async for line in coming:
                    lines.append(line)
                    if live and len(lines) == len(stream.lines):
                        break
        return lines

    return asyncio.run(whole(read()))


def test_ten_cuts_lose_no_line_and_repeat_none() -> None:
    """Wherever they fall: in a number, in a letter, in an answer's head, before any of it."""
    stream, told = Stream(), list[str]()
    cuts = [10, 400, 1, 5003, 61, 9001, 150, 7777, 3000, 12_345]
    assert heard(stream, cuts, live=True, told=told) == LINES
    assert len(stream.heads) == 11
    assert len(told) == 10
    assert TOKEN not in "".join(told)
    assert all(f"Bearer {TOKEN}" in head for head in stream.heads)
    assert all(TOKEN not in head.splitlines()[0] for head in stream.heads)


def test_what_there_is_by_now_comes_whole_through_cuts_too() -> None:
    assert heard(Stream(), [5000, 20_000], live=False, told=[]) == LINES


def test_a_daemon_that_is_busy_is_asked_again_and_one_that_says_no_is_not() -> None:
    told: list[str] = []
    stream = Stream(refusals=[(503, '{"why": "Too many are listening."}'), (502, "no json")])
    assert heard(stream, [], live=False, told=told) == LINES
    assert "Too many are listening; trying again" in told[0]
    assert "it answers 502" in told[1]
    for status in (400, 401, 403, 404):
        stream = Stream(refusals=[(status, '{"why": "The token is wrong."}')])
        with pytest.raises(NotHeard, match=r"^The token is wrong$"):
            heard(stream, [], live=True, told=[])


def test_pauses_grow_while_nobody_answers_and_begin_anew_after_a_line() -> None:
    stream = Stream(refusals=[(503, "")] * 3)
    told: list[str] = []

    async def read() -> None:
        server, port = await served(stream.answer)
        proxy, at = await served(Proxy(port, [10**6] * 3 + [2000]).answer)
        count = 0
        async with server, proxy, asyncio.timeout(20):
            daemon = Daemon(f"http://127.0.0.1:{at}")
            coming = lines_from(daemon, told=told.append, pauses_s=(0.001, 0.002, 0.003))
            async with aclosing(coming):
                async for _ in coming:
                    count += 1
                    if count == len(LINES):
                        return

    asyncio.run(whole(read()))
    said = [text.rpartition("again in ")[2] for text in told]
    assert said == ["0.001 s.", "0.002 s.", "0.003 s.", "0.001 s."]


@pytest.mark.parametrize(
    ("text", "url"),
    [
        ("mini-pc", "http://mini-pc:7642"),
        ("10.0.0.7:80", "http://10.0.0.7:80"),
        ("https://mini-pc", "https://mini-pc:7642"),
        ("[fe80::1]:7000", "http://[fe80::1]:7000"),
    ],
)
def test_an_address_is_short(text: str, url: str) -> None:
    assert address_of(text) == url


@pytest.mark.parametrize(
    "text", ["", "ftp://x", "mini-pc/log", "me:secret@mini-pc", "x:port", "x?y=1"]
)
def test_what_is_no_address_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"address|[Pp]ort"):
        address_of(text)


def test_a_daemon_s_token_is_not_in_its_description(tmp_path: Path) -> None:
    assert TOKEN not in repr(Daemon("http://mini-pc:7642", TOKEN, tmp_path))
