"""`nightloom rehearse`, from the command line to its closing figures."""

import hashlib
import json
import shutil
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from night.nights import SELDOM_S
from nightloom.cli import main
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.rehearsal import TROUBLES
from nightloom.settings import demo_folder

FIGURES = {
    "night", "dark_s", "clear_s", "open_s", "open_fraction", "bound_fraction", "accepted_s",
    "rejected_s", "subs", "dithers", "focus_runs", "focus_checks", "focus_s", "shelters",
    "guide_rms_arcsec", "unevenness", "violations", "troubles", "assumed", "dark_parts_s",
    "ended_early", "worth_s",
    "wall_s", "log_sha256", "out", "report",
}  # fmt: skip


def rehearsed(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    """The one JSON object that a rehearsal prints."""
    assert main(["rehearse", "--json", *words]) == 0
    figures: dict[str, Any] = json.loads(capsys.readouterr().out)
    return figures


@dataclass(frozen=True)
class Twice:
    """One night rehearsed twice: the figures of the first, what the second told a terminal."""

    figures: dict[str, Any]
    table: str
    outs: tuple[Path, Path]


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> Twice:
    outs = tmp_path_factory.mktemp("first") / "out", tmp_path_factory.mktemp("second") / "out"
    said: list[str] = []
    for words, out in zip((("--json",), ()), outs, strict=True):
        with redirect_stdout(StringIO()) as told:
            command = ["rehearse", "--hours", "0.3", "--seed", "7", "--out", str(out), *words]
            assert main(command) == 0
        said.append(told.getvalue())
    return Twice(json.loads(said[0]), said[1], outs)


def test_a_rehearsal_reports_every_figure(twice: Twice) -> None:
    figures = twice.figures
    assert set(figures) == FIGURES
    assert figures["violations"] == []
    assert set(figures["accepted_s"]) == {"L", "R", "G", "B"}
    assert all(seconds > 0 for seconds in figures["accepted_s"].values())
    assert 0.5 < figures["open_fraction"] <= figures["bound_fraction"] < 1
    frames = list(twice.outs[0].rglob("*.fits"))
    assert len(frames) == figures["subs"]


def test_a_rehearsal_leaves_its_report_beside_its_log(twice: Twice) -> None:
    reports = [(out / "report.html").read_text() for out in twice.outs]
    assert Path(twice.figures["report"]) == twice.outs[0] / "report.html"
    assert "data:image/png" in reports[0]
    assert reports[0] == reports[1]


def test_a_rehearsal_s_report_is_written_again_from_its_folder(
    twice: Twice, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the configuration that it was made with, which is kept there."""
    out, file = twice.outs[0], tmp_path / "again.html"
    assert main(["report", "--out", str(out), "--file", str(file), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["night"] == twice.figures["night"]
    assert file.read_text() == (out / "report.html").read_text()
    for toml in demo_folder().glob("*.toml"):
        assert (out / "configuration" / toml.name).read_bytes() == toml.read_bytes()


def test_a_folder_without_a_rehearsal_has_no_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", "--out", str(tmp_path)]) == 2
    assert capsys.readouterr().err == f"There is no night in {tmp_path}; name one with --night.\n"
    (tmp_path / "2026-11-10.jsonl").touch()
    assert main(["report", "--out", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert said == (
        f"There is no {tmp_path}/configuration; name the rehearsal's configuration with --config.\n"
    )


def test_one_seed_gives_one_log_byte_for_byte(twice: Twice) -> None:
    logs = [next(out.glob("*.jsonl")).read_bytes() for out in twice.outs]
    assert logs[0] == logs[1]
    assert hashlib.sha256(logs[0]).hexdigest() == twice.figures["log_sha256"]


def test_a_night_ends_with_a_table_on_the_terminal(twice: Twice) -> None:
    assert "Night of 2026-11-10" in twice.table
    assert "promises broken" in twice.table


@pytest.mark.servers
def test_a_short_night_goes_through_a_real_socket(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "config"
    shutil.copytree(demo_folder(), config)
    observatory = config / "observatory.toml"
    text, often = observatory.read_text(), "exposure_s = 2.0\n"
    assert text.count(often) == 1
    observatory.write_text(text.replace(often, f"exposure_s = {SELDOM_S}\n"))
    words = ("--indi", "--speed", "40", "--hours", "0.26", "--config", str(config))
    figures = rehearsed(capsys, *words, "--out", str(tmp_path / "a"))
    assert figures["violations"] == []
    assert sum(figures["accepted_s"].values()) > 0


def test_trouble_that_was_asked_for_is_reported_with_its_moment(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--hours", "0.26", "--no-frames", "--out", str(tmp_path / "a"))
    figures = rehearsed(capsys, *words, "--trouble", "network-gone", "focuser-unreadable")
    assert figures["violations"] == []
    assert list(figures["troubles"]) == ["network-gone", "focuser-unreadable"]
    assert all(at.startswith("2026-11-10T") for at in figures["troubles"].values())
    assert figures["ended_early"] == ""


def test_a_rehearsal_at_star_lists_reports_the_same_figures(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    words = ("--hours", "0.25", "--seed", "7", "--send", "stars", "--out", str(tmp_path / "out"))
    figures = rehearsed(capsys, *words)
    assert set(figures) == FIGURES
    assert figures["violations"] == []
    assert figures["subs"] >= 3
    frames = list((tmp_path / "out" / "frames").rglob("*.fits"))
    assert max(path.stat().st_size for path in frames) < 500_000


def test_nights_follow_each_other_in_one_folder(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    words = ("--nights", "2", "--hours", "0.26", "--send", "stars", "--no-frames")
    first, second = rehearsed(capsys, *words, "--out", str(out))["nights"]
    assert (first["night"], second["night"]) == ("2026-11-10", "2026-11-11")
    assert first["violations"] == second["violations"] == []
    assert first["guide_rms_arcsec"] != second["guide_rms_arcsec"], "the sky is another"
    with Ledger.read(out / FILE_NAME) as ledger:
        tally_s = ledger.accepted_s("NGC 891")
    for name, seconds in tally_s.items():
        assert seconds == first["accepted_s"].get(name, 0) + second["accepted_s"].get(name, 0)
    said = (out / "2026-11-11.jsonl").read_text()
    assert '"event":"guiding_calibrated"' not in said.replace(": ", ":"), "it is kept"
    assert {path.name for path in out.glob("report-*.html")} == {
        "report-2026-11-10.html",
        "report-2026-11-11.html",
    }


def test_the_help_lists_every_trouble(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["rehearse", "--help"])
    told = " ".join(capsys.readouterr().out.split())
    assert all(trouble.words in told for trouble in TROUBLES)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--hours", "0"], "--hours 0 must be above 0 and up to 24."),
        (["--nights", "0"], "--nights 0 must be from 1 to 366."),
        (["--seed", "-1"], "--seed -1 must be 0 or more."),
        (["--speed", "0", "--indi"], "--speed 0 must be above 0 and up to 200."),
        (["--trouble", "rain", "hail"], "--trouble hail is none; known are server-gone, "),
        (["--trouble", "rain", "--indi"], "--trouble needs virtual time; leave out --indi."),
        (["--send", "stars", "--indi"], "--send stars needs virtual time; leave out --indi."),
        (["--trouble", "disk-full", "--no-frames"], "--trouble disk-full needs frames; "),
        (["--out", "TAKEN"], "cannot be written: "),
        (["--config", "NOWHERE"], "There is no configuration folder"),
    ],
)
def test_bad_input_gets_one_sentence(
    words: list[str], sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").touch()
    places = {"TAKEN": str(tmp_path / "file" / "out"), "NOWHERE": str(tmp_path / "nowhere")}
    assert main(["rehearse", *(places.get(word, word) for word in words)]) == 2
    said = capsys.readouterr().err
    assert sentence in said
    assert said.count("\n") == 1


def test_a_date_that_is_none_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["rehearse", "--night", "soon"])
    assert "'soon' is no date such as 2026-11-10" in capsys.readouterr().err


def test_a_folder_that_holds_a_rehearsal_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "ledger.sqlite").touch()
    assert main(["rehearse", "--out", str(tmp_path)]) == 2
    assert "holds a rehearsal already" in capsys.readouterr().err


def test_a_night_without_darkness_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """At 47° N the Sun stays above −20° around midsummer, as any almanac says."""
    for file in demo_folder().glob("*.toml"):
        (tmp_path / file.name).write_text(file.read_text())
    policies = (tmp_path / "policies.toml").read_text()
    (tmp_path / "policies.toml").write_text(f"{policies}\n[dark]\nsun_altitude_deg = -20\n")
    words = ["rehearse", "--config", str(tmp_path), "--night", "2026-06-21"]
    assert main(words) == 2
    assert "the Sun does not sink below -20° on 2026-06-21" in capsys.readouterr().err
