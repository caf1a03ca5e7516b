"""Tables in 80 columns and in a pipe: no figure is cut off, and none is broken in two."""

import re
from datetime import timedelta
from pathlib import Path

import pytest

from cli.test_tail_and_tally import FRAME
from nightloom.cli import main
from nightloom.cli.rehearsal_table import RehearsalFigures, print_figures
from nightloom.ledger import Curve, Ledger
from nightloom.settings import demo_folder

DEMO = ["--config", str(demo_folder())]
COMMANDS = {
    "outlook": ["outlook", *DEMO, "--night", "2026-11-10"],
    "offsets": ["offsets", *DEMO, "--ledger", "ledger"],
    "tally": ["tally", *DEMO, "--ledger", "ledger"],
    "weave": ["weave", "L:3x120", "R:1x120", "G:1x120", "B:1x120"],
    "tail": ["tail", "log"],
}
SPAN = re.compile(r"\d\d:\d\d–\d\d:\d\d")


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("columns", ["80", None])
def test_no_figure_is_lost(
    command: str,
    columns: str | None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    if columns is not None:
        monkeypatch.setenv("COLUMNS", columns)
    else:
        monkeypatch.delenv("COLUMNS", raising=False)
    with Ledger(Path("ledger")) as ledger:
        ledger.add_frame(FRAME)
        for number, name in enumerate(["L", "R", "L", "R"]):
            at = FRAME.start_utc + timedelta(hours=number)
            steps = 41234.5 - 123.4 * (name == "R")
            ledger.add_curve(
                Curve(FRAME.night, at, name, (9, 10, 11), (2.0, 1.5, 2.0), True, "", steps, 0.5)
            )
    Path("log").write_text(f"a line of {'many ' * 30}words\n")
    assert main(COMMANDS[command]) == 0
    told = capsys.readouterr().out
    assert told
    assert "…" not in told
    if command == "outlook":
        assert len(SPAN.findall(told)) == 5  # the dark, three windows, and out of reach
        assert max(map(len, told.splitlines())) <= 80
        assert len(re.findall(r"\d\d°\s", told)) >= 6, (
            "each target's height and the Moon's distance"
        )
    if command == "offsets":
        assert "-123.4" in told
        assert max(map(len, told.splitlines())) <= 80


FIGURES: RehearsalFigures = {
    "night": "2026-11-10", "dark_s": 40000.0, "clear_s": 30000.0, "open_s": 29123.0,
    "open_fraction": 0.9543, "bound_fraction": 0.9677, "accepted_s": {"L": 12000.0, "Hα": 7500.0},
    "worth_s": {"L": 4560.0}, "rejected_s": {"L": 240.0},
    "subs": 123, "dithers": 31, "focus_runs": 2, "focus_checks": 11,
    "focus_s": 432.0, "shelters": 1, "guide_rms_arcsec": 0.514, "unevenness": 0.67,
    "violations": ["a sub of 120 s in L was taken while the roof was not open, at 21:14:07"],
    "troubles": {"camera-hangs": "2026-11-10T21:14:07Z"},
    "assumed": ["Simulated with an assumed guide camera of 640 x 480 pixels"],
    "dark_parts_s": {"": 38400.0, "Hα of NGC 1499": 40020.0},
    "ended_early": "", "wall_s": 81.4,
    "log_sha256": "0", "out": "/a/folder/with/a/path/that/is/rather/long/rehearsals/2026-11-10-1",
    "report": "/a/folder/with/a/path/that/is/rather/long/rehearsals/2026-11-10-1/report.html",
}  # fmt: skip


@pytest.mark.parametrize("columns", ["80", None])
def test_what_a_night_came_to_is_told_whole(
    columns: str | None, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    if columns is not None:
        monkeypatch.setenv("COLUMNS", columns)
    print_figures(FIGURES, ["L", "Hα"])
    lines = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    for line in (
        "Night of 2026-11-10", "L 200 min 4 min", "Hα 125 min 0 min", "dark 640 min",
        "667 min for Hα of NGC 1499", "clear 500 min", "shutter open 485 min, 95.4%",
        "dithers 31", "focus 2 curves, 11 short looks; 432 s", "shelters 1",
        "guide error 0.51″ rms", "uneven by 0.67 cycles at most", "promises broken 1", "took 81 s",
        "camera-hangs from 2026-11-10T21:14:07Z",
    ):  # fmt: skip
        assert line in lines
    assert f"broken: {FIGURES['violations'][0]}" in " ".join(lines)
    assert FIGURES["out"] in "".join(lines)
