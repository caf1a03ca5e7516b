"""The door: who may come, what is said, and what bad callers do to others. Real sockets."""

import asyncio
import json
import os
import socket
import stat
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from nightloom.requests import Answer, Done, Pause, Request, Retire, Skip, line_of
from nightloom.requests import door as door_module
from nightloom.requests.call import NoDaemon, call
from nightloom.requests.door import CALLERS_MAX, FOLDER, LINE_BYTES_MAX, SOCKET, door, short_path
from nightloom.telemetry import Event, Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import WallClock

PROMPT_S = 1.0


class Hall:
    """A door with somebody behind it who notes what is asked."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.heard: list[Request] = []
        self.origins: list[str] = []
        self.logged: list[Event] = []

    def answer(self, request: Request, origin: str) -> Answer:
        self.heard.append(request)
        self.origins.append(origin)
        if isinstance(request, Skip) and request.target == "mistake":
            raise KeyError("a mistake")
        return Done(said="so be it")

    async def asks(self, request: Request) -> Answer:
        """A well-behaved caller, answered promptly whatever the others do."""
        async with asyncio.timeout(PROMPT_S):
            return await asyncio.to_thread(call, self.folder, request)

    async def speaks(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """A caller of any kind."""
        with short_path(self.folder / FOLDER) as path:
            return await asyncio.open_unix_connection(path)


def behind_the_door(folder: Path, story: Callable[[Hall], Awaitable[None]]) -> Hall:
    hall = Hall(folder)

    async def open_door() -> None:
        log = Log(WallClock())
        with log.listen(lambda _, event: hall.logged.append(event)):
            async with door(folder, hall.answer, log):
                await story(hall)

    asyncio.run(open_door())
    return hall


def test_a_request_goes_in_and_an_answer_comes_out_with_its_origin(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        assert await hall.asks(Retire(now=True)) == Done(said="so be it")

    hall = behind_the_door(tmp_path, story)
    assert hall.heard == [Retire(now=True)]
    assert f"process {os.getpid()}" in hall.origins[0]


def test_only_the_owner_may_come(tmp_path: Path) -> None:
    async def story(_: Hall) -> None:
        folder = tmp_path / FOLDER
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        assert stat.S_IMODE((folder / SOCKET).stat().st_mode) == 0o600

    (tmp_path / FOLDER).mkdir(mode=0o777)
    behind_the_door(tmp_path, story)
    assert not (tmp_path / FOLDER / SOCKET).exists()


def test_a_path_may_be_longer_than_a_socket_s(tmp_path: Path) -> None:
    """`sun_path` has 108 bytes (unix(7))."""

    async def story(hall: Hall) -> None:
        assert await hall.asks(Pause()) == Done(said="so be it")

    behind_the_door(tmp_path / ("x" * 120), story)


def test_a_socket_that_a_killed_daemon_left_is_taken_over(tmp_path: Path) -> None:
    folder = tmp_path / FOLDER
    folder.mkdir(mode=0o700)
    with socket.socket(socket.AF_UNIX) as left, short_path(folder) as path:
        left.bind(str(path))

    async def story(hall: Hall) -> None:
        assert await hall.asks(Pause()) == Done(said="so be it")

    behind_the_door(tmp_path, story)


def test_a_door_that_another_daemon_keeps_is_left_to_it(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        second = Hall(tmp_path)
        log = Log(WallClock())
        with log.listen(lambda _, event: second.logged.append(event)):
            async with door(tmp_path, second.answer, log):
                await hall.asks(Pause())
        assert [type(event) for event in second.logged] == [e.DoorShut]
        await hall.asks(Pause())
        assert second.heard == []

    assert len(behind_the_door(tmp_path, story).heard) == 2


def test_without_a_daemon_there_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(NoDaemon, match="No daemon answers"):
        call(tmp_path, Pause())


@pytest.mark.parametrize(
    "line",
    [
        b"hello\n", b"\n", b"{}\n", b"[]\n", b"\xff\xfe\x00\n", b'{"request": "fly"}\n',
        b'{"request": "pause", "more": 1}\n', b'{"request": "retire", "now": "perhaps"}\n',
        b'{"request": "skip", "target": 5}\n', b'{"request"' * 200 + b"\n", b"[" * 4000 + b"\n",
        b'{"request": "skip", "target": "' + b"x" * 300 + b'"}\n',
    ],
)  # fmt: skip
def test_nonsense_is_answered_and_the_next_line_is_heard(tmp_path: Path, line: bytes) -> None:
    async def story(hall: Hall) -> None:
        reader, writer = await hall.speaks()
        writer.write(line + line_of(Pause()))
        async with asyncio.timeout(PROMPT_S):
            assert json.loads(await reader.readline())["answer"] == "unread"
            assert json.loads(await reader.readline())["answer"] == "done"
        writer.close()

    assert behind_the_door(tmp_path, story).heard == [Pause()]


def test_half_lines_too_long_ones_and_those_who_leave_hold_up_nobody(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        _, half = await hall.speaks()
        half.write(b'{"request": "pau')
        _, long = await hall.speaks()
        long.write(b"x" * (LINE_BYTES_MAX * 20))
        _, leaves = await hall.speaks()
        leaves.write(line_of(Pause()))
        leaves.transport.abort()
        for _ in range(3):
            assert await hall.asks(Retire()) == Done(said="so be it")
        half.transport.abort()
        long.transport.abort()

    hall = behind_the_door(tmp_path, story)
    assert hall.heard.count(Retire()) == 3
    assert hall.logged == []


def test_who_does_not_listen_is_sent_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(door_module, "SILENT_S_MAX", 0.3)
    monkeypatch.setattr(door_module, "BETWEEN_S", 0.0)

    async def story(hall: Hall) -> None:
        reader, writer = await hall.speaks()
        reader._limit = 1  # type: ignore[attr-defined]  # takes nothing in
        asked = line_of(Skip(target="y" * 100)) * 200

        async def talk() -> None:
            async with asyncio.timeout(20.0):
                while True:
                    writer.write(asked)
                    await writer.drain()
                    await asyncio.sleep(0)

        with pytest.raises(ConnectionError):
            await talk()
        assert await hall.asks(Pause()) == Done(said="so be it")
        writer.transport.abort()

    behind_the_door(tmp_path, story)


def test_who_says_nothing_is_sent_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(door_module, "SILENT_S_MAX", 0.2)

    async def story(hall: Hall) -> None:
        reader, writer = await hall.speaks()
        async with asyncio.timeout(5.0):
            assert await reader.read() == b""
        writer.close()

    behind_the_door(tmp_path, story)


def test_many_callers_keep_nobody_out(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        idle = [await hall.speaks() for _ in range(4 * CALLERS_MAX)]
        assert await hall.asks(Pause()) == Done(said="so be it")
        for _, writer in idle:
            writer.transport.abort()
        answers = await asyncio.gather(*(hall.asks(Pause()) for _ in range(CALLERS_MAX)))
        assert set(answers) == {Done(said="so be it")}

    behind_the_door(tmp_path, story)


def test_a_mistake_behind_the_door_is_logged_and_ends_nothing(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        assert "mistake" in (await hall.asks(Skip(target="mistake"))).why  # type: ignore[union-attr]
        assert await hall.asks(Pause()) == Done(said="so be it")

    assert [type(event) for event in behind_the_door(tmp_path, story).logged] == [e.UnexpectedError]
