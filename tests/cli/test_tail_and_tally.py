"""nightloom tail and nightloom tally."""

import json
import re
import shutil
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from nightloom.cli import main
from nightloom.ledger import Frame, Ledger, Verdict
from nightloom.settings import demo_folder

LINE = '{"utc": "2026-11-14T18:00:00.250Z", "event": "roof_opened", "level": "info", "took_s": 3.5}'

FRAME = Frame(
    uid="f1",
    night="2026-11-14",
    target="NGC 891",
    filter="L",
    exposure_s=120.0,
    start_utc=datetime(2026, 11, 14, 18, tzinfo=UTC),
    path="",
    sha256="",
    verdict=Verdict.ACCEPTED,
    reason="",
    pointing=1,
)


def test_a_log_in_a_pipe_is_plain_and_odd_lines_are_shown_as_they_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log").write_text(f"{LINE}\n[not json] {'x' * 200}\n")
    assert main(["tail", "--utc", str(tmp_path / "log")]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "14 November 2026, times in UTC",
        "18:00    Roof open, after 3.5 s",
        f"[not json] {'x' * 200}",
    ]


def test_json_lines_pass_through(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log").write_text(f"{LINE}\n{{torn\n{LINE}\n")
    assert main(["tail", "--json", str(tmp_path / "log")]) == 0
    assert capsys.readouterr().out == f"{LINE}\n{LINE}\n"


def test_a_log_that_is_not_there_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["tail", str(tmp_path / "log")]) == 2
    told = capsys.readouterr().err
    assert told == f"The log {tmp_path / 'log'} cannot be read: No such file or directory.\n"


def test_the_newest_night_of_the_configured_observatory_is_told_in_its_zone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    config, logs = tmp_path / "config", tmp_path / "out" / "logs"
    shutil.copytree(demo_folder(), config)
    said = config / "observatory.toml"
    said.write_text(said.read_text().replace("~/nightloom-demo", str(tmp_path / "out")))

    async def nights(_: Path) -> AsyncIterator[str]:
        for line in tuple[str, ...]():
            yield line

    monkeypatch.setattr("nightloom.cli.tail.follow_nights", nights)
    assert main(["tail", "--config", str(config)]) == 0
    assert capsys.readouterr().err == (
        f"There is no night's log in {logs} yet; it is waited for. Ctrl-C ends it.\n"
    )
    words = ["tail", "--config", str(config), "--once"]
    assert main(words) == 2
    assert capsys.readouterr().err == f"There is no night's log in {logs} yet.\n"
    logs.mkdir(parents=True)
    (logs / "2026-11-13.jsonl").write_text("older\n")
    (logs / "2026-11-14.jsonl").write_text(f"{LINE}\n")
    assert main(words) == 0
    assert capsys.readouterr().out.splitlines() == [
        "14 November 2026, times in Europe/Zurich (CET, UTC+1)",
        "19:00    Roof open, after 3.5 s",
    ]


def test_what_is_sought_is_passed_through_as_json_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = LINE.replace("roof_opened", "roof_closed")
    (tmp_path / "log").write_text(f"{LINE}\n{other}\n")
    assert main(["tail", "--json", "--event", "roof-closed", "--", str(tmp_path / "log")]) == 0
    assert capsys.readouterr().out == f"{other}\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--event", "roof_opend"], "--event roof_opend is none; near: roof_opened"),
        (["--at", "me:word@mini-pc"], "the token goes into a file or the environment"),
        (
            ["--at", "mini-pc", "--token-file", "open"],
            "nobody else may read, since it holds secrets: chmod 600 open",
        ),
        (["--at", "mini-pc", "--token-file", "none"], "--token-file none cannot be read"),
        (["--at", "mini-pc", "log"], "A FILE is here and --at is elsewhere"),
    ],
)
def test_what_cannot_be_is_one_sentence_without_the_token(
    words: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("open").write_text("word\n")
    Path("open").chmod(0o644)
    assert main(["tail", *words]) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert told.err.count("\n") == 1
    assert "word" not in told.out + told.err


def test_a_terminal_shows_brightness_and_no_hue_and_wraps_beside_the_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of the codes of ECMA-48 (8.3.117, SGR) only 1, bold, and 7, negative, are used, and 0."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("TERM", "xterm-256color")
    person = {"utc": "2026-11-14T18:00:00Z", "event": "person_needed", "level": "error"}
    lines = [LINE, json.dumps(person | {"reason": "the roof stays open; it rains " * 3})]
    (tmp_path / "log").write_text("\n".join(lines))
    assert main(["tail", "--utc", str(tmp_path / "log")]) == 0
    told = capsys.readouterr().out
    assert set(re.findall(r"\x1b\[([\d;]*)m", told)) == {"1", "1;7", "0"}
    bare = re.sub(r"\x1b\[[\d;]*m", "", told).splitlines()
    assert max(map(len, bare)) <= 40
    assert bare[2].startswith("18:00 !! Somebody must")
    assert all(row.startswith(" " * 9) for row in bare[3:])


def test_the_tally_sets_what_is_there_against_what_was_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "ledger.sqlite"
    with Ledger(file) as ledger:
        ledger.add_frame(FRAME)
        ledger.add_frame(replace(FRAME, uid="f2", verdict=Verdict.REJECTED, reason="cloud"))
        ledger.add_frame(replace(FRAME, uid="f3", target="Old target", filter="R"))
    words = ["tally", "--config", str(demo_folder()), "--ledger", str(file)]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    targets = [one["target"] for one in told["targets"]]
    assert targets == ["NGC 891", "M81", "NGC 1499", "Old target"]
    # One L of a cycle of 3 L, R, G, B: L has a third of its share, all together a sixth.
    assert told["targets"][0]["filters"]["L"] == {
        "accepted_s": 120.0,
        "worth_s": 120.0,
        "subs": 1,
        "rejected": 1,
        "fraction": 1.0,
        "asked_fraction": 0.5,
        "ahead_cycles": pytest.approx(1 / 3 - 1 / 6, abs=1e-4),
        "wanted_s": 43200.0,
    }
    assert main(words) == 0
    shown = capsys.readouterr().out
    assert "NGC 891: 0.03 h accepted, uneven by 0.17 cycles" in shown
    assert "Old target: 0.03 h accepted" in shown


def test_groups_are_tallied_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The example's third target holds colour and narrow filters: neither is behind the other."""
    file = tmp_path / "ledger.sqlite"
    with Ledger(file) as ledger:
        for number, name in enumerate(("R", "G", "B", "Ha", "L")):
            ledger.add_frame(replace(FRAME, uid=str(number), target="NGC 1499", filter=name))
    words = ["tally", "--config", str(demo_folder().parent / "example"), "--ledger", str(file)]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["targets"]
    colour, narrow = (one for one in told if one["target"] == "NGC 1499")
    assert (colour["group"], narrow["group"]) == ("colour", "narrow")
    assert list(colour["filters"]) == ["R", "G", "B", "L"], "what nobody asks for stands here"
    assert colour["unevenness"] == 0
    assert {name: row["subs"] for name, row in narrow["filters"].items()} == {"Ha": 1, "OIII": 0}
    assert narrow["accepted_s"] == 120.0
    assert main(words) == 0
    assert "NGC 1499, narrow: 0.03 h accepted" in capsys.readouterr().out


def test_a_ledger_that_is_not_there_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["tally", "--config", str(demo_folder()), "--ledger", str(tmp_path / "no")]
    assert main(words) == 2
    told = capsys.readouterr().err
    assert told == f"There is no ledger {tmp_path / 'no'}; name another file with --ledger.\n"


def test_the_tally_of_a_mosaic_is_that_of_all_its_panels(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A cycle of the demo's first target is 720 s: the panels have a third of one, and a sixth."""
    folder = tmp_path / "config"
    shutil.copytree(demo_folder(), folder)
    grid = "[target.mosaic]\ncolumns = 2\nfield_width_deg = 1.0\nfield_height_deg = 1.0\n"
    asked = folder / "targets.toml"
    asked.write_text(
        asked.read_text().replace("[target.filter.L]", f"{grid}\n[target.filter.L]", 1)
    )
    file = tmp_path / "ledger.sqlite"
    with Ledger(file) as ledger:
        for number, (panel, name) in enumerate([(1, "L"), (1, "R"), (2, "L")]):
            whose = f"NGC 891 panel {panel}"
            ledger.add_frame(replace(FRAME, uid=f"f{number}", target=whose, filter=name))
    words = ["tally", "--config", str(folder), "--ledger", str(file)]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["target"] for one in told["targets"]][:2] == ["NGC 891 panel 1", "NGC 891 panel 2"]
    (whole,) = told["mosaics"]
    assert whole["accepted_s"] == {"L": 240.0, "R": 120.0, "G": 0.0, "B": 0.0}
    assert whole["cycles"] == pytest.approx([240.0 / 720.0, 120.0 / 720.0])
    assert main(words) == 0
    shown = capsys.readouterr().out
    assert "NGC 891: 2 panels, 0.10 h accepted; from 0.2 to 0.3 cycles each" in shown
