"""The commands that ask, and a daemon elsewhere: over HTTP, with a token, in the same words."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from nightloom.cli import main
from nightloom.requests import Ask, Pause, Request, Resume, Retire, Skip
from remote.halls import TOKEN, Hall, inside, with_token
from servers import free_port


def told(
    folder: Path, capsys: pytest.CaptureFixture[str], *words: str, **said: Path
) -> tuple[int, str, str, Hall]:
    """What a command comes to at an interface that is up."""
    status = -1

    async def story(hall: Hall) -> None:
        nonlocal status
        command = [*words, "--at", f"127.0.0.1:{hall.port}"]
        status = await asyncio.to_thread(main, command)

    hall = inside(folder, story, **said)
    out, errors = capsys.readouterr()
    return status, out, errors, hall


@pytest.mark.parametrize(
    ("words", "request_", "says", "exit_status"),
    [
        (["pause"], Pause(), "So be it.", 0),
        (["resume"], Resume(), "So be it.", 0),
        (["retire"], Retire(), "So be it.", 0),
        (["skip", "M 33"], Skip(target="M 33"), "Not now.", 1),
        (["status"], Ask(), "Test   gathering", 0),
    ],
)
def test_a_command_reaches_a_daemon_elsewhere(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    request_: Request,
    says: str,
    exit_status: int,
) -> None:
    monkeypatch.setenv("NIGHTLOOM_TOKEN", TOKEN)
    token = with_token(tmp_path)
    status, out, errors, hall = told(tmp_path, capsys, *words, token_file=token)
    assert status == exit_status
    assert says in (out or errors)
    assert hall.heard == [(request_, "address 127.0.0.1")]


def test_the_token_may_be_in_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    token = with_token(tmp_path)
    status, *_, hall = told(tmp_path, capsys, "pause", "--token-file", str(token), token_file=token)
    assert status == 0
    assert len(hall.heard) == 1


@pytest.mark.parametrize("known", [True, False])
def test_nothing_is_done_without_the_token(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], known: bool
) -> None:
    said = {"token_file": with_token(tmp_path)} if known else {}
    status, out, errors, hall = told(tmp_path, capsys, "pause", **said)
    assert (status, out, hall.heard) == (2, "", [])
    assert "says no: " in errors
    assert errors.count("\n") == 1


async def _cut(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.close()


async def _babble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await reader.readuntil(b"\r\n\r\n")
    writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nConnection: close\r\n\r\n[]")
    await writer.drain()
    writer.close()


@pytest.mark.parametrize("answer", [_cut, _babble])
def test_an_answer_that_does_not_come_leaves_a_question(
    capsys: pytest.CaptureFixture[str],
    answer: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]],
) -> None:
    async def story() -> int:
        async with await asyncio.start_server(answer, "127.0.0.1", 0) as server:
            port = server.sockets[0].getsockname()[1]
            return await asyncio.to_thread(main, ["pause", "--at", f"127.0.0.1:{port}"])

    assert asyncio.run(story()) == 2
    assert "whether it does what was asked" in capsys.readouterr().err


def test_where_nobody_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["retire", "--now", "--at", f"127.0.0.1:{free_port()}"]) == 2
    assert capsys.readouterr().err.startswith("No daemon answers at 127.0.0.1:")
