"""The commands that talk to a daemon, where none answers, and what they print of answers."""

import asyncio
import json
import re
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from nightloom.cli import main
from nightloom.requests import Answer, Ask, Done, Refused, Request, Skip, Told
from nightloom.requests.door import door
from nightloom.settings import demo_folder
from nightloom.status import Exposing, NextStep, ProblemStatus, SafetyStatus, Status
from nightloom.telemetry import Log
from nightloom_drivers.clock import WallClock
from servers import free_port

NOW = datetime(2026, 11, 10, 22, 0, tzinfo=UTC)

STATUS = Status(
    utc=NOW,
    observatory="Terrace",
    phase="gathering",
    since_utc=NOW,
    reason="centred, guiding, in focus",
    target="NGC 891",
    exposing=Exposing(
        uid="u",
        target="NGC 891",
        filter="R",
        exposure_s=60.0,
        begun_utc=NOW,
        open_s=20.0,
        left_s=40.0,
    ),
    next=NextStep(what="a sub of 60 s in G", at_utc=NOW),
    safety=SafetyStatus(safe=False, weather=[], roof="open", mount="tracking", pier_side="west"),
    problems=[ProblemStatus(utc=NOW, level="warning", event="weather_unsafe", text="rain")],
)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """The demo observatory with an output folder of its own, and no server."""
    folder = tmp_path / "config"
    folder.mkdir()
    for file in demo_folder().glob("*.toml"):
        text = file.read_text()
        if file.name == "observatory.toml":
            text = text.replace("~/nightloom-demo", str(tmp_path / "out"))
            text = re.sub(r"(?m)^port = \d+", f"port = {free_port()}", text)
        (folder / file.name).write_text(text)
    return folder


def answer(request: Request, _: str) -> Answer:
    match request:
        case Ask():
            return Told(status=STATUS)
        case Skip(target=None):
            return Refused(why="No target runs now.")
    return Done(said=f"{request.request} it is")


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[None]:
    """Somebody behind the door."""
    opened, closes = threading.Event(), threading.Event()

    async def stand() -> None:
        async with door(tmp_path / "out", answer, Log(WallClock())):
            opened.set()
            await asyncio.to_thread(closes.wait)

    thread = threading.Thread(target=lambda: asyncio.run(stand()))
    thread.start()
    assert opened.wait(10.0)
    yield
    closes.set()
    thread.join()


@pytest.mark.parametrize("command", ["status", "pause", "resume", "skip", "retire", "reload"])
def test_without_a_daemon_there_is_one_sentence_and_status_2(
    config: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([command, "--config", str(config)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert "No daemon answers" in said.err


def test_the_last_resort_without_a_server_says_that_nothing_is_known(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["retire", "--now", "--json", "--config", str(config)]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["safe"] is False
    assert "not known" in told["said"]


@pytest.mark.usefixtures("daemon")
def test_answers_are_printed_and_refusals_are_status_1(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = ["--config", str(config)]
    assert main(["pause", *said]) == 0
    assert capsys.readouterr().out == "pause it is\n"
    assert main(["skip", *said]) == 1
    assert capsys.readouterr().err == "No target runs now.\n"
    assert main(["skip", "NGC 891", "--json", *said]) == 0
    assert json.loads(capsys.readouterr().out)["answer"] == "done"
    assert main(["skip", "--json", *said]) == 1
    assert json.loads(capsys.readouterr().out)["answer"] == "refused"


@pytest.mark.usefixtures("daemon")
@pytest.mark.parametrize("columns", ["80", "48"])
def test_the_status_is_told_to_people_and_to_programs(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: str
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert main(["status", "--config", str(config)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    for part in ("gathering since 22:00:00 UTC", "R, 20 s of 60 s", "a sub of 60 s in G", "rain"):
        assert part in told
    assert main(["status", "--json", "--config", str(config)]) == 0
    assert Status.model_validate_json(capsys.readouterr().out) == STATUS
