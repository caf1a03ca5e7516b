"""nightloom tail and nightloom tally."""

import json
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
    assert main(["tail", str(tmp_path / "log")]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "2026-11-14 18:00:00  roof opened         took_s=3.5",
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
