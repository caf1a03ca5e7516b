"""nightloom offsets, and offsets measure on the simulated rig."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drawing.boxes import drawn, meetings
from nightloom.cli import main
from nightloom.ledger import Check, Curve, Ledger
from nightloom.settings import demo_folder

CONFIG = ["--config", str(demo_folder())]


def test_offsets_are_measured_on_the_simulated_rig(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two filters, forth and back; what is learned is what the simulated rig has: B at −31."""
    out = tmp_path / "night"
    words = ["offsets", "measure", "--rehearse", "--filters", "L,B", "--out", str(out), "--json"]
    assert main([*words, *CONFIG, "--seed", "5"]) == 0
    told = json.loads(capsys.readouterr().out)
    blue = told["filters"]["B"]
    assert (told["reference"], blue["verdict"], blue["configured_steps"]) == ("L", "good", -30)
    assert abs(blue["used_steps"] - -31.0) < blue["zone_steps"] / 4
    assert abs(blue["learned_steps"] - -31.0) < 2 * blue["error_steps"]
    assert told["filters"]["R"]["curves"] == 0
    with Ledger.read(out / "ledger.sqlite") as ledger:
        assert [curve.filter for curve in ledger.curves()] == ["L", "L", "B", "B", "L"]

    pictures = {name: tmp_path / f"{name}.svg" for name in ("picture", "curves")}
    shown = [word for name, file in pictures.items() for word in (f"--{name}", str(file))]
    assert main(["offsets", "--ledger", str(out / "ledger.sqlite"), *CONFIG, *shown]) == 0
    assert "good" in capsys.readouterr().out
    drawings = {name: drawn(file.read_text()) for name, file in pictures.items()}
    for one in drawings.values():
        assert list(meetings(one)) == []
    said = [box.words for box in drawings["picture"].words]
    assert f"B: {blue['learned_steps']:+.1f} steps, good by 2 curves, 0 checks" in [
        words.replace("−", "-") for words in said
    ]
    heads = [box.words for box in drawings["curves"].words if "UTC: half" in box.words]
    assert [head[0] for head in heads] == list("LLBBL")


def test_refused_curves_are_drawn_and_teach_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "ledger.sqlite"
    taken = datetime(2026, 11, 10, 20, tzinfo=UTC)
    starless = Curve("2026-11-10", taken, "L", (1, 2, 3), (None, None, None), False, "flat")
    with Ledger(file) as ledger:
        ledger.add_curve(starless)
    words = ["offsets", *CONFIG, "--ledger", str(file)]
    assert main(words) == 2
    assert "no accepted focus curve" in capsys.readouterr().err
    with Ledger(file) as ledger:
        later = taken + timedelta(hours=1)
        ledger.add_curve(
            Curve("2026-11-10", later, "L", (9, 10, 11), (2.0, 1.5, 2.0), True, "", 10.0, 0.5)
        )
    assert main([*words, "--curves", str(tmp_path / "c.svg"), "--json"]) == 0
    said = [box.words for box in drawn((tmp_path / "c.svg").read_text()).words]
    assert {"focuser position (steps); flat", "focuser position (steps); best 10 ± 0.5"} <= set(
        said
    )
    assert json.loads(capsys.readouterr().out)["filters"]["L"]["verdict"] == "thin"


def test_checks_teach_offsets_and_are_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A curve through L and checks through R, 20 steps further out; an unclear one says nothing."""
    file, night = tmp_path / "ledger.sqlite", "2026-11-10"
    taken = [datetime(2026, 11, 10, 20, minute, tzinfo=UTC) for minute in range(0, 60, 5)]
    with Ledger(file) as ledger:
        for at in taken[:2]:
            ledger.add_curve(
                Curve(night, at, "L", (9, 10, 11), (2.0, 1.5, 2.0), True, "", 100.0, 0.5)
            )
        for at, outcome, vertex in zip(
            taken[2:5], ("stayed", "moved", "unclear"), (119.5, 120.5, 300.0), strict=True
        ):
            ledger.add_check(
                Check(night, at, "R", (95, 145), (2.0, 2.0), outcome, vertex, 1.0, 0.0)
            )
    words = ["offsets", *CONFIG, "--ledger", str(file)]
    assert main([*words, "--json"]) == 0
    red = json.loads(capsys.readouterr().out)["filters"]["R"]
    assert (red["curves"], red["checks"], red["verdict"]) == (0, 2, "good")
    assert red["used_steps"] == pytest.approx(20.0, abs=0.5)
    assert main(words) == 0
    row = next(line for line in capsys.readouterr().out.splitlines() if line.strip()[:1] == "R")
    assert row.split()[-4:-1] == ["0", "2", "good"]


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--ledger", "/nowhere/ledger"], "There is no ledger /nowhere/ledger"),
        (["measure", "--rounds", "0"], "--rounds 0 must be from 1 to 10"),
        (["measure", "--rehearse", "--filters", "L,X"], "there is no X in the wheel"),
    ],
)
def test_bad_input_is_one_sentence(
    words: list[str],
    problem: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["offsets", *words, *CONFIG]) == 2
    assert problem in capsys.readouterr().err
