"""Tables in 80 columns and in a pipe: no figure is cut off, and none is broken in two."""

import re
from pathlib import Path

import pytest

from cli.test_tail_and_tally import FRAME
from nightloom.cli import main
from nightloom.ledger import Ledger
from nightloom.settings import demo_folder

DEMO = ["--config", str(demo_folder())]
COMMANDS = {
    "outlook": ["outlook", *DEMO, "--night", "2026-11-10"],
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
