"""What bad callers do to others and to the night: nothing. Real sockets.

How soon the loop turns beside them is measured: it is the night's loop as well.
"""

import asyncio
import contextlib
import resource
from collections.abc import Iterator
from pathlib import Path

import pytest

from nightloom.remote import app as app_module
from nightloom.remote import connections as bounds
from nightloom.remote.streams import STREAMS_MAX
from nightloom.requests import Ask
from nightloom.telemetry import events as e
from nightloom_drivers.clock import real_monotonic_s
from remote.halls import TOKEN, Hall, head, inside, request, with_token

LATE_S_MAX = 1.5
"""A turn of the loop beside all that, on a machine that other tests keep busy: nothing waits for
a caller. What it costs is measured by tests/benchmarks/abuse.py.
"""

MEMORY_BYTES_MAX = 40_000_000


class Watch:
    """How late the loop was at the worst."""

    late_s = 0.0

    async def watch(self) -> None:
        while True:
            due_s = real_monotonic_s() + 0.01
            await asyncio.sleep(0.01)
            self.late_s = max(self.late_s, real_monotonic_s() - due_s)


@contextlib.contextmanager
def watched() -> Iterator[Watch]:
    watch = Watch()
    task = asyncio.ensure_future(watch.watch())
    try:
        yield watch
    finally:
        task.cancel()


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Times that a test can wait for."""
    for name in ("HEAD_S", "BODY_S", "UNTAKEN_S", "IDLE_S"):
        monkeypatch.setattr(bounds, name, 0.3)


async def answered(hall: Hall) -> None:
    """A storm has passed, soon after it ended."""
    async with asyncio.timeout(10.0):
        while True:
            with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
                await hall.asks("/status")
                return


async def gone(reader: asyncio.StreamReader) -> bytes:
    """What is said until the connection is over."""
    async with asyncio.timeout(5.0):
        try:
            return await reader.read()
        except ConnectionError:
            return b""


def test_who_is_slow_is_sent_away(tmp_path: Path, hurried: None) -> None:
    async def dribble(writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            for _ in range(100):
                writer.write(b"x")
                await asyncio.sleep(0.02)

    async def story(hall: Hall) -> None:
        begun = request("/requests", hall.port, {"Content-Length": "50"}, "POST", token=TOKEN)
        kept = request("/status", hall.port, {"Connection": "keep-alive"}, token=TOKEN)
        for said in (b"", b"GET /status HTTP/1.1\r\nHost: ", begun, begun + b"{", kept):
            reader, writer = await hall.speaks()
            writer.write(said)
            dribbling = asyncio.create_task(dribble(writer)) if said[:3] == b"GET" else None
            came = await gone(reader)
            assert (b"200 OK" in came) == (said == kept)
            if dribbling is not None:
                dribbling.cancel()
            writer.transport.abort()
        assert (await hall.asks("/status", token=TOKEN)).code == 200

    hall = inside(tmp_path, story, token_file=with_token(tmp_path))
    assert [type(asked) for asked, _ in hall.heard] == [Ask]
    assert bounds.SLOW in hall.refusals()


@pytest.mark.parametrize("chunked", [False, True])
def test_a_body_that_is_too_long_is_not_taken_in(tmp_path: Path, chunked: bool) -> None:
    async def story(hall: Hall) -> None:
        length = {"Transfer-Encoding": "chunked"} if chunked else {"Content-Length": "900000000"}
        for path in ("/requests", "/enter"):
            reader, writer = await hall.speaks()
            writer.write(request(path, hall.port, length, "POST", token=TOKEN))
            with contextlib.suppress(ConnectionError):
                for _ in range(100):
                    writer.write(b"ff\r\n" + b"x" * 255 + b"\r\n")
                    await writer.drain()
            if not writer.transport.is_closing():
                code, _ = await head(reader)
                assert code == 413
            writer.transport.abort()
        short = request("/requests", hall.port, {}, "POST", b"x" * 5000, TOKEN)
        reader, writer = await hall.speaks()
        writer.write(short)
        assert (await head(reader))[0] == 413
        writer.transport.abort()

    hall = inside(tmp_path, story, token_file=with_token(tmp_path))
    assert hall.heard == []
    assert app_module.TOO_LONG in hall.refusals()


def test_what_is_no_http_is_refused_and_not_repeated(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        for said in (
            b"\x16\x03\x01 secret\r\n\r\n", b"GET\r\n\r\n", b"GET / HTTP/1.1\r\n\r\n",
            b"GET / HTTP/1.1\r\nHost: a\r\nX: " + b"y" * 100_000,
        ):  # fmt: skip
            reader, writer = await hall.speaks()
            writer.write(said)
            assert b" 400 " in (await gone(reader))[:20] + b" 400 " * (len(said) > 9999)
            writer.transport.abort()

    hall = inside(tmp_path, story)
    assert bounds.NO_HTTP in hall.refusals()
    assert not any("secret" in str(event) for event in hall.logged)


def test_a_stream_that_reads_nothing_is_dropped_and_keeps_nothing(
    tmp_path: Path, hurried: None
) -> None:
    async def story(hall: Hall) -> None:
        for number in range(30_000):
            hall.log.emit(e.TargetChosen(target=f"T{number}", reason="x" * 300))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        deaf = [await hall.speaks(limit=1) for _ in range(4)]
        for _, writer in deaf:
            writer.write(request("/log", hall.port))
        with watched() as watch:
            async with asyncio.timeout(10.0):
                while bounds.UNTAKEN not in hall.refusals():
                    await asyncio.sleep(0.05)
                    assert (await hall.asks("/status")).code == 200
        assert watch.late_s < LATE_S_MAX
        taken = 1024 * (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
        assert taken < MEMORY_BYTES_MAX
        for _, writer in deaf:
            writer.transport.abort()

    inside(tmp_path, story)


def test_two_hundred_idle_streams_keep_nobody_out_and_hold_up_nothing(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        idle = []
        with watched() as watch:
            for _ in range(200):
                reader, writer = await hall.speaks()
                writer.write(request("/log?from=now", hall.port))
                idle.append((reader, writer))
            await answered(hall)
            for _ in range(5):
                hall.log.emit(e.MountUnparked())
                assert (await hall.asks("/status")).code == 200
            reader, writer = await hall.speaks()
            writer.write(request("/log?from=now", hall.port))
            assert (await head(reader))[0] == 200
            await asyncio.sleep(0.3)
            hall.log.emit(e.MountParked(took_s=7))
            async with asyncio.timeout(5.0):
                await reader.readuntil(b"7.0")
        assert watch.late_s < LATE_S_MAX
        still = 0
        for other, _ in idle:
            with contextlib.suppress(TimeoutError, ConnectionError):
                async with asyncio.timeout(0.01):
                    while await other.read(65536):
                        pass
                    continue
            still += not other.at_eof() and other.exception() is None
        assert still < STREAMS_MAX
        for _, one in [*idle, (reader, writer)]:
            one.transport.abort()

    inside(tmp_path, story)


def test_a_storm_of_requests_leaves_the_loop_its_turns(tmp_path: Path) -> None:
    async def hammer(hall: Hall, count: int) -> None:
        for _ in range(count):
            with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError):
                await hall.asks("/status", token="wrong" * 10)

    async def story(hall: Hall) -> None:
        with watched() as watch:
            await asyncio.gather(*(hammer(hall, 10) for _ in range(20)))
        assert watch.late_s < LATE_S_MAX
        assert (await hall.asks("/status", token=TOKEN)).code == 200

    hall = inside(tmp_path, story, token_file=with_token(tmp_path))
    assert len(hall.heard) == 1
    assert hall.refusals().count("a wrong token") == 1, "the others are counted"


def test_a_mistake_behind_it_is_logged_and_ends_nothing(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        for _ in range(2):
            body = b'{"request": "skip", "target": "mistake"}'
            answer = await hall.asks("/requests", method="POST", body=body, token=TOKEN)
            assert answer.code == 500
        assert (await hall.asks("/status", token=TOKEN)).code == 200

    hall = inside(tmp_path, story, token_file=with_token(tmp_path))
    assert [type(one) for one in hall.logged].count(e.RemoteMistake) == 1
