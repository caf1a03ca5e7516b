"""`nightloom trials`, from the command line to its figures and its one digest."""

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from nightloom.cli import main
from nightloom.rehearsal import Played
from nightloom.trials import Outcome, by_trouble, digest, playing
from nightloom_drivers.sent import Sent

FIRST, NIGHTS = 84, 2
"""Short nights without much trouble."""


def outcome(seed: int, *violations: str, kinds: tuple[str, ...] = ()) -> Outcome:
    return Outcome(seed, "2026-11-10", list(kinds), 1.0, 9, 0.8, 0.5, list(violations), "ab", 1.0)


def campaign(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> dict[str, Any]:
    """The one JSON object of a campaign."""
    assert main(["trials", "--first", str(FIRST), "--json", *words]) == status
    figures: dict[str, Any] = json.loads(capsys.readouterr().out)
    return figures


def test_what_nights_come_to_does_not_hang_on_the_number_of_processes(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    two = campaign(capsys, "--nights", str(NIGHTS), "--jobs", "2")
    assert two["nights"] == NIGHTS
    assert two["violations"] == 0
    alone = [playing.play_trial(seed, Sent.STARS) for seed in range(FIRST, FIRST + NIGHTS - 1)]
    kept = playing.play_trial(FIRST + NIGHTS - 1, Sent.STARS, tmp_path)
    assert digest([kept, *alone]) == two["digest"]
    (log,) = tmp_path.glob("*.jsonl")
    said = log.read_bytes().replace(str(tmp_path).encode(), b"OUT")
    assert hashlib.sha256(said).hexdigest() == kept.log_sha256


def test_a_digest_is_of_all_that_was_found_in_any_order() -> None:
    outcomes = [outcome(seed) for seed in range(3)]
    assert digest(outcomes) == digest(reversed(outcomes))
    assert digest(outcomes) != digest(outcomes[:2])
    assert digest(outcomes) != digest([*outcomes[:2], outcome(2, "12:00:00 sun: too near")])


def test_nights_are_counted_by_kind_of_trouble() -> None:
    counted = by_trouble(
        [outcome(1), outcome(2, "a", "b", kinds=("rain", "wind")), outcome(3, kinds=("rain",))]
    )
    told = {kind: (one.nights, one.broken) for kind, one in counted.items()}
    assert told == {"none": (1, 0), "rain": (2, 1), "wind": (1, 1)}


def test_a_broken_promise_is_told_with_the_command_that_plays_it_alone(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def spoilt(rehearsal: object, **_: object) -> Played:
        raise RuntimeError("a slip made on purpose")

    monkeypatch.setattr(playing, "play_virtually", spoilt)
    out = tmp_path / "out"
    assert main(["trials", "--nights", "1", "--first", str(FIRST), "--out", str(out)]) == 1
    said = capsys.readouterr()
    assert "promises broken: 1 in 1 nights" in said.out
    assert "the daemon ended with RuntimeError('a slip made on purpose')" in said.err
    assert f"nightloom trials --nights 1 --first {FIRST} --out seed{FIRST}" in said.err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--nights", "0"], "--nights 0 must be from 1 to 1000000."),
        (["--first", "-1"], "--first -1 must not be negative."),
        (["--jobs", "0"], "--jobs 0 must be from 1 to 256."),
        (["--nights", "2", "--out", "x"], "--out keeps the files of one night; say --nights 1."),
        (["--nights", "1", "--out", "FULL"], "is not empty; name another folder."),
    ],
)
def test_bad_input_gets_one_sentence(
    words: list[str], sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").touch()
    assert main(["trials", *(str(tmp_path) if word == "FULL" else word for word in words)]) == 2
    said = capsys.readouterr().err
    assert sentence in said
    assert said.count("\n") == 1
