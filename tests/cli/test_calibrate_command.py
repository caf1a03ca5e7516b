"""nightloom calibrate: what is lacking, and filling it on the simulated rig."""

import json
import shutil
from datetime import timedelta
from pathlib import Path

import pytest

from night.shelves import lights
from nightloom.cli import main
from nightloom.ledger import FILE_NAME
from nightloom.settings import demo_folder
from nightloom_drivers.clock import WallClock

FEW = """
[calibration]
biases = 2
darks = 1
flats = 1
flats_of = "panel"
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    folder = tmp_path / "config"
    shutil.copytree(demo_folder(), folder)
    (folder / "policies.toml").write_text(FEW)
    return folder


def test_what_is_lacking_is_listed(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lights(tmp_path, "L", "Ha", began=WallClock().now() - timedelta(hours=12))
    words = ["calibrate", "--config", str(config), "--ledger", str(tmp_path / FILE_NAME)]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["frames"] == []
    assert not told["complete"]
    needs = [
        (one["kind"], one["filter"], one["exposure_s"], one["missing"]) for one in told["needs"]
    ]
    assert needs == [
        ("bias", None, None, 2),
        ("dark", None, 60.0, 1),
        ("flat", "Ha", None, 1),
        ("flat", "L", None, 1),
    ]
    assert main(words) == 0
    assert "0 frames in the library" in capsys.readouterr().out


def test_the_library_is_filled_on_the_simulated_rig(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lights(tmp_path, "L")
    words = ["calibrate", "fill", "--config", str(config), "--rehearse", str(tmp_path), "--json"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["complete"]
    assert [one["kind"] for one in told["frames"]] == ["bias", "bias", "dark", "flat"]
    for one in told["frames"]:
        assert (tmp_path / "calibration" / one["path"]).is_file()
        assert len(one["sha256"]) == 64


def test_what_the_camera_is_not_set_for_is_not_done(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lights(tmp_path, "L", sensor_c=-45.0)
    words = ["calibrate", "fill", "--config", str(config), "--rehearse", str(tmp_path), "--json"]
    assert main(words) == 1
    assert not json.loads(capsys.readouterr().out)["complete"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--ledger", "nowhere/ledger.sqlite"], "There is no ledger nowhere/ledger.sqlite"),
        (["fill", "--ledger", "one.sqlite"], "--ledger goes with show"),
        (["--rehearse", "there"], "--rehearse goes with fill"),
        (["fill", "--rehearse", "nowhere"], "There is no ledger nowhere/ledger.sqlite"),
    ],
)
def test_bad_input_is_answered_in_one_sentence(
    words: list[str], sentence: str, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["calibrate", *words, "--config", str(config)]) == 2
    told = capsys.readouterr().err
    assert sentence in told
    assert told.count("\n") == 1


def test_flats_of_a_panel_that_is_not_there_are_a_mistake_of_the_settings(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (config / "policies.toml").write_text('[calibration]\nnight_takes = ["flat"]\n')
    observatory = (config / "observatory.toml").read_text()
    panel = '[light_panel]\ndevice = "Rig Light Panel"\n'
    (config / "observatory.toml").write_text(observatory.replace(panel, ""))
    assert main(["calibrate", "--config", str(config)]) == 2
    assert "needs a [light_panel]" in capsys.readouterr().err
