"""What the observer says of calibration frames that are lit, off their level, or lost."""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from night.nights import NIGHT, Story
from night.shelves import filled, lights, with_few
from nightloom.ledger import FILE_NAME
from nightloom.rehearsal.observer import Shot
from nightloom.rehearsal.observer.library import look_at_library
from nightloom.rehearsal.observer.rules import Findings

BIAS_ADU = 500.0


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Story:
    out = tmp_path_factory.mktemp("shelf")
    lights(out, "L")
    story, _ = filled(out, with_few(biases=1, darks=1, flats=1))
    return story


def found(story: Story, out: Path, shots: list[Shot]) -> list[str]:
    """Names of the rules that the records in a copy of its folder break."""
    findings = Findings()
    look_at_library(
        story.rehearsal.settings,
        NIGHT,
        shots,
        BIAS_ADU,
        out / FILE_NAME,
        out / "calibration",
        findings,
    )
    return [one.rule.name for one in findings.found]


@pytest.fixture
def out(shelf: Story, tmp_path: Path) -> Path:
    shutil.copytree(shelf.rehearsal.out, tmp_path / "copy")
    return tmp_path / "copy"


def kept(shelf: Story, kind: str) -> Shot:
    """The last shot of a kind; of darks and flats it was kept."""
    return [one for one in shelf.played.shots if one.kind == kind][-1]


def test_a_faithful_library_breaks_nothing(shelf: Story, out: Path) -> None:
    assert shelf.played.violations == []
    assert found(shelf, out, shelf.played.shots) == []


@pytest.mark.parametrize(
    ("kind", "lie", "rule"),
    [
        ("dark", {"light_adu": 21.0}, "darks_dark"),
        ("flat", {"level_adu": 500 + 24_600 * 1.06}, "flats_on_level"),
        ("flat", {"filter": "R"}, "library_kept"),
        ("dark", {"exposure_s": 61.0}, "library_kept"),
        ("dark", {"pixels_crc": 1}, "library_kept"),
        ("flat", {"kind": "dark"}, "library_kept"),
    ],
)
def test_what_was_otherwise_than_it_is_entered_is_found(
    shelf: Story, out: Path, kind: str, lie: dict[str, float], rule: str
) -> None:
    true = kept(shelf, kind)
    shots = [replace(one, **lie) if one is true else one for one in shelf.played.shots]  # type: ignore[arg-type]
    assert found(shelf, out, shots) == [rule]


def test_a_file_that_is_lost_changed_or_nobodys_is_found(shelf: Story, out: Path) -> None:
    (dark,) = (out / "calibration" / "dark").rglob("*.fits")
    data = bytearray(dark.read_bytes())
    data[-1] ^= 1
    dark.write_bytes(data)
    (bias,) = (out / "calibration" / "bias").rglob("*.fits")
    bias.rename(bias.with_name("other.fits"))
    assert set(found(shelf, out, shelf.played.shots)) == {"library_kept"}
    assert len(found(shelf, out, shelf.played.shots)) == 4 - 1


def test_a_frame_that_never_left_the_camera_is_found(shelf: Story, out: Path) -> None:
    with closing(sqlite3.connect(out / FILE_NAME)) as ledger:
        ledger.execute("UPDATE calibration_frames SET start_utc = '2026-11-10T12:00:00+00:00'")
        ledger.commit()
    assert found(shelf, out, shelf.played.shots).count("library_kept") == 3
