"""nightloom weave."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from nightloom.cli import main
from nightloom.ledger import FILE_NAME, Duration, Ledger, Part
from nightloom.settings import demo_folder

COSTS = ["--download", "2", "--change", "1.5", "--dither", "8"]
DUSK = datetime(2026, 11, 14, 18, tzinfo=UTC)


def told(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    assert main(["weave", *words, "--json"]) == 0
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def test_three_luminance_to_one_of_each_colour(capsys: pytest.CaptureFixture[str]) -> None:
    """Three dithers for six subs (common practice, no source), at the lower bound."""
    words = ["L:3x120", "R:1x120", "G:1x120", "B:1x120"]
    woven = told(capsys, *words, *COSTS)
    assert woven["dithers"] == sum(woven["dither_after"]) == 3
    assert woven["cost_s"] == woven["lower_bound_s"] == 3 * 8 + 3 * 2
    assert woven["exact"] is True
    assert sorted(woven["order"]) == sorted("LLLRGB")
    assert woven["lost_s_per_hour"] == 3600 * 30 / 750
    assert [plain["cost_s"] for plain in woven["plain"]] == [48, 48]
    assert woven["plain"][1]["order"] == list("LLLRGB")


def test_one_of_each_colour_needs_one_dither(capsys: pytest.CaptureFixture[str]) -> None:
    woven = told(capsys, "R:1x120", "G:1x120", "B:1x120")
    assert (woven["dithers"], woven["changes"]) == (1, 3)


def test_what_gaps_take_of_a_night(capsys: pytest.CaptureFixture[str]) -> None:
    """720 s of light and 30 s of gaps a cycle: 9 h hold 43.2 cycles, so 1296 s of gaps; the plain
    orders' 48 s make 42.1875 cycles of 768 s.
    """
    words = ["L:3x120", "R:1x120", "G:1x120", "B:1x120", *COSTS, "--hours", "9"]
    woven = told(capsys, *words)
    assert (woven["hours"], woven["lost_s"]) == (9.0, 43.2 * 30)
    assert [plain["lost_s"] for plain in woven["plain"]] == [42.1875 * 48] * 2
    assert main(["weave", *words]) == 0
    assert capsys.readouterr().out.endswith(
        "Gaps take 21.6 min of 9.0 h; in plain orders 33.8 min.\n"
    )
    assert told(capsys, *words[:-2])["lost_s"] is None, "no hours, and no site to ask the Sun of"


def test_a_target_s_gaps_are_counted_over_tonight_s_dark(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The dark hours that `outlook` tells of tonight."""
    config = ["--config", str(folder)]
    assert main(["outlook", *config, "--json"]) == 0
    dark_s = json.loads(capsys.readouterr().out)["dark_s"]
    woven = told(capsys, "--target", "M81", *config)
    assert woven["hours"] * 3600 == pytest.approx(dark_s, abs=1)
    assert woven["lost_s"] == pytest.approx(woven["hours"] * woven["lost_s_per_hour"], abs=0.01)


def test_it_is_shown_with_the_plain_ways_beside_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["weave", "R:1x120", "G:1x120", "B:1x120", *COSTS]) == 0
    lines = [line.split() for line in capsys.readouterr().out.splitlines() if line.strip()]
    assert lines[0][:4] == ["R", "G", "B", "·"]
    rows = {" ".join(line[:-4]): line[-4:] for line in lines if line[-1].isdigit()}
    assert rows == {
        "woven": ["1", "3", "12.0", "116"],
        "interleaved, dither every sub": ["3", "3", "24.0", "225"],
        "one after another, dither every sub": ["3", "3", "24.0", "225"],
    }


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ([], "Name filters such as L:3x120 R:1x120, or a --target of the configuration."),
        (
            ["L:3x120", "--target", "M81"],
            "Name filters such as L:3x120 R:1x120, or a --target of the configuration.",
        ),
        (["L"], '"L" is no filter with its subs; write NAME:COUNTxSECONDS such as L:3x120.'),
        (
            ["L:0x120"],
            '"L:0x120" is no filter with its subs; write NAME:COUNTxSECONDS such as L:3x120.',
        ),
        (["L:1x60", "L:2x60"], '"L" is named twice; name each filter once.'),
        (["L:1x60", "--dither", "-1"], "--dither -1 must be from 0 to 3600 seconds."),
        (["L:1x60", "--change", "nan"], "--change nan must be from 0 to 3600 seconds."),
        (["L:1x60", "--hours", "25"], "--hours 25 must be above 0 and up to 24."),
        (["L:500x60"], "A cycle of 500 subs is too long; up to 400 can be woven."),
        (["L:1x60", "--group", "x"], "--group and --config go with --target only."),
        (
            ["--target", "M1", "--config", str(demo_folder())],
            'There is no target "M1"; there are NGC 891, M81, NGC 1499.',
        ),
    ],
)
def test_bad_words_are_answered_with_one_sentence(
    words: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["weave", *words]) == 2
    output = capsys.readouterr()
    assert (output.out, output.err) == ("", sentence + "\n")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The demo's configuration with an output folder of its own."""
    config = tmp_path / "config"
    config.mkdir()
    for file in demo_folder().glob("*.toml"):
        text = file.read_text().replace("~/nightloom-demo", str(tmp_path / "out"))
        (config / file.name).write_text(text)
    return config


def test_a_target_of_the_configuration_with_its_configured_costs(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    woven = told(capsys, "--target", "M81", "--config", str(folder))
    assert sorted(woven["order"]) == sorted("LLLRGB")
    assert woven["costs"]["dither_s"] == 6.0
    assert woven["costs"]["measured"] == []


def test_measured_costs_replace_configured_ones_when_there_are_enough(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Ledger(folder.parent / "out" / FILE_NAME) as ledger:
        for _ in range(6):
            ledger.add_duration(Duration(Part.DITHER, 20.0, DUSK))
            ledger.add_duration(Duration(Part.CHANGE, 9.0, DUSK, "L", "R"))
        ledger.add_duration(Duration(Part.DOWNLOAD, 30.0, DUSK))
    words = ["--target", "M81", "--config", str(folder)]
    woven = told(capsys, *words)
    assert woven["costs"]["dither_s"] == 20.0
    assert woven["costs"]["download_s"] == 1.2, "one download is not enough"
    assert woven["costs"]["change_s"]["L R"] == 9.0
    assert woven["costs"]["change_s"]["R L"] == 2.0, "this way it was not measured"
    follows = [*woven["order"][1:], woven["order"][0]]
    plain = [
        (here, there)
        for here, there, dithers in zip(woven["order"], follows, woven["dither_after"], strict=True)
        if not dithers
    ]
    assert ("L", "R") not in plain, "the slow change hides under a dither, or is left out"
    assert main(["weave", *words]) == 0
    shown = capsys.readouterr().out
    assert "measured dither: 20.0 s ± 0.0 s (6 times)" in shown
    assert "measured change L to R: 9.0 s ± 0.0 s (6 times)" in shown
    assert "measured download: 30.0 s ± 0.0 s (1 times, too few to count)" in shown


def test_the_command_line_goes_before_the_configuration(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    woven = told(capsys, "--target", "M81", "--config", str(folder), "--dither", "30")
    assert woven["costs"]["dither_s"] == 30.0


def multisets(subs: int) -> Iterator[tuple[int, ...]]:
    """Counts, largest first, of at most 4 filters."""
    for counts in product(range(subs + 1), repeat=4):
        if sum(counts) == subs and list(counts) == sorted(counts, reverse=True):
            yield tuple(count for count in counts if count)


def test_every_cycle_up_to_twelve_subs_is_woven_at_the_bound(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """All of up to 12 subs over 4 filters, exact and at the bound."""
    for counts in [c for subs in range(1, 13) for c in multisets(subs)]:
        words = [f"{name}:{count}x60" for name, count in zip("LRGB", counts, strict=False)]
        woven = told(capsys, *words, *COSTS)
        assert woven["exact"]
        assert woven["cost_s"] == woven["lower_bound_s"]
        assert woven["dithers"] == max(counts)


def test_with_room_for_several_cycles_share_a_pointing(capsys: pytest.CaptureFixture[str]) -> None:
    """Twelve cycles of two subs change 23 times for 4 s, and once dither for 15 s meanwhile."""
    assert main(["weave", "L:1x5", "R:1x5", "--room", "12", "--json"]) == 0
    woven = json.loads(capsys.readouterr().out)
    assert (woven["cycles_at_once"], woven["dithers"]) == (12, pytest.approx(1 / 12))
    assert 12 * woven["cost_s"] == pytest.approx(23 * 4 + 15)
    assert main(["weave", "L:1x5", "R:1x5", "--room", "12"]) == 0
    assert "(· is a dither, after each 12 cycles)" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["L:1x5", "--room", "0"], "--room 0 must be at least 1."),
        (["--target", "M81", "--room", "2"], "a target has its own"),
    ],
)
def test_a_room_that_cannot_be_is_one_sentence(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["weave", *words]) == 2
    assert said in capsys.readouterr().err
