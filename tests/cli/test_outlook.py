"""nightloom outlook."""

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import ephem
import pytest

from nightloom.cli import main
from nightloom.ledger import Frame, Ledger, Verdict
from nightloom.settings import demo_folder

WORDS = ["outlook", "--config", str(demo_folder()), "--night", "2026-11-10"]


def frame(uid: str, seconds: float) -> Frame:
    return Frame(
        uid=uid,
        night="2026-11-08",
        target="NGC 891",
        filter="R",
        exposure_s=seconds,
        start_utc=datetime(2026, 11, 8, 18, tzinfo=UTC),
        path="",
        sha256="",
        verdict=Verdict.ACCEPTED,
        reason="",
        pointing=1,
    )


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home without a ledger."""
    monkeypatch.setenv("HOME", str(tmp_path))
    return tmp_path


def test_the_demo_night_as_json(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*WORDS, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["night"] == "2026-11-10"
    assert 10.8 * 3600 < told["dark_s"] < 11 * 3600
    names = [one["target"] for one in told["targets"]]
    assert names == ["NGC 891", "M81", "NGC 1499"]
    main_target = told["targets"][0]
    assert main_target["highest_deg"] == pytest.approx(90 - (47.1 - 42.35), abs=0.5)
    for name, share in {"L": 3, "R": 1, "G": 1, "B": 1}.items():
        expected = main_target["filters"][name]["expected_s"]
        assert expected == pytest.approx(main_target["filters"]["R"]["expected_s"] * share, abs=3)
        assert main_target["filters"][name]["missing_s"] == pytest.approx(
            main_target["filters"][name]["wanted_s"] - expected, abs=1
        )
    assert sum(
        seconds for block in told["plan"] for seconds in block["expected_s"].values()
    ) == pytest.approx(
        sum(one["expected_s"] for t in told["targets"] for one in t["filters"].values()), abs=20
    )
    assert told["plan"][0]["begins_utc"] == told["dark"][0]
    assert told["plan"][-1]["ends_utc"] == told["dark"][1]


def test_moon_and_meridian_agree_with_a_second_library(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Moonrise, moonset, the Moon's phase and a transit by PyEphem, to a minute and a percent."""
    words = ["outlook", "--config", str(demo_folder()), "--night", "2026-11-19", "--json"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    here = ephem.Observer()
    here.lat, here.lon, here.elevation, here.pressure = "47.1", "9.6", 820, 0
    here.horizon, here.date = "-0:34", "2026/11/19 11:22"
    moon = ephem.Moon()
    assert away_s(told["moon"]["rises_utc"][0], here.next_rising(moon)) < 60
    assert away_s(told["moon"]["sets_utc"][0], here.next_setting(moon)) < 60
    moon.compute("2026/11/19 23:00")
    assert told["moon"]["illumination"] == pytest.approx(moon.phase / 100, abs=0.02)
    star = ephem.readdb("NGC 891,f|G,2:22:33,42:20:57,10,2000")
    transit = here.next_transit(star)
    assert away_s(told["targets"][0]["meridian_utc"], transit) < 60


def test_a_group_with_a_darkness_of_its_own_is_told_beside_the_policy_s(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The Sun sinks from -12° to -18° in 35 to 45 minutes at 47° north in November, by PyEphem."""
    for file in demo_folder().glob("*.toml"):
        text = file.read_text()
        if file.name == "targets.toml":
            before, name, narrow = text.partition('name = "NGC 1499"')
            narrow = narrow.replace("[target.filter.", "[target.group.filter.")
            narrow = narrow.replace(
                "[target.group.filter",
                "[[target.group]]\nsun_altitude_deg = -12.0\n[target.group.filter",
                1,
            )
            text = before + name + narrow
        (tmp_path / file.name).write_text(text)
    words = ["outlook", "--config", str(tmp_path), "--night", "2026-11-10"]
    assert main(words) == 0
    assert "Dark 17:38–04:34, 10.9 h; " in (shown := capsys.readouterr().out)
    assert " for Ha OIII SII of NGC 1499." in shown.replace("\n", " ")
    assert main([*words, "--json"]) == 0
    begun = {
        one["target"]: one["groups"][0]["dark"][0]
        for one in json.loads(capsys.readouterr().out)["targets"]
    }
    here = ephem.Observer()
    here.lat, here.lon, here.elevation, here.pressure = "47.1", "9.6", 820, 0
    here.horizon, here.date = "-12", "2026/11/10 12:00"
    assert away_s(begun["NGC 1499"], here.next_setting(ephem.Sun(), use_center=True)) < 60
    here.horizon = "-18"
    assert away_s(begun["NGC 891"], here.next_setting(ephem.Sun(), use_center=True)) < 90


def away_s(said_utc: str, moment: ephem.Date) -> float:
    said = datetime.fromisoformat(said_utc)
    theirs: datetime = moment.datetime().replace(tzinfo=UTC)
    return abs((said - theirs).total_seconds())


def test_what_is_there_already_is_taken_from_the_ledger(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = home / "ledger.sqlite"
    with Ledger(file) as ledger:
        ledger.add_frame(frame("a", 7200.0))
        ledger.add_frame(replace(frame("b", 7200.0), verdict=Verdict.REJECTED, reason="cloud"))
    assert main([*WORDS, "--ledger", str(file), "--json"]) == 0
    red = json.loads(capsys.readouterr().out)["targets"][0]["filters"]["R"]
    assert red["accepted_s"] == 7200
    assert red["missing_s"] == 4 * 3600 - 7200 - red["expected_s"]


def test_the_tables_name_everything(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(WORDS) == 0
    shown = capsys.readouterr().out
    assert "Night of 2026-11-10, all times UTC. Dark 17:38–04:34, 10.9 h." in shown
    for words in ("Windows", "Plan", "Expected", "NGC 1499", "OIII", "still missing", "down while"):
        assert words in shown


def test_a_picture_is_drawn(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = home / "night.svg"
    assert main([*WORDS, "--picture", str(file)]) == 0
    assert f"Drawn in {file}." in capsys.readouterr().out.replace("\n", "")
    said = ElementTree.fromstring(file.read_text()).itertext()
    assert {"NGC 891", "M81", "NGC 1499"} <= set(said)


def test_a_picture_that_cannot_be_written_is_one_sentence(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for file in (home / "no" / "folder.svg", home / "night.png"):
        assert main([*WORDS, "--picture", str(file)]) == 2
        told = capsys.readouterr()
        assert told.err.startswith(f"--picture {file} cannot be written: ")
        assert told.err.count("\n") == 1
        assert told.out == ""


def test_a_night_that_is_not_dark_enough_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for file in ("observatory.toml", "targets.toml"):
        (tmp_path / file).write_text((demo_folder() / file).read_text())
    (tmp_path / "policies.toml").write_text("[dark]\nsun_altitude_deg = -20.0\n")
    assert main(["outlook", "--config", str(tmp_path), "--night", "2026-06-21"]) == 2
    assert capsys.readouterr().err == (
        "There is no outlook: the Sun does not sink below -20° on 2026-06-21.\n"
    )


def test_a_ledger_that_is_named_must_be_there(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*WORDS, "--ledger", str(home / "no")]) == 2
    assert capsys.readouterr().err == (
        f"There is no ledger {home / 'no'}; name another file with --ledger.\n"
    )


def test_what_the_pier_leaves_is_said(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The demo's mount crosses once on each target; one with narrow ranges leaves a gap."""
    assert main([*WORDS, "--json"]) == 0
    first = json.loads(capsys.readouterr().out)["targets"][0]
    (crosses,) = first["crosses_utc"]
    later = datetime.fromisoformat(crosses) - datetime.fromisoformat(first["meridian_utc"])
    assert later.total_seconds() == pytest.approx(0.25 * 3600 * 0.99727, abs=2)
    folder = home / "config"
    shutil.copytree(demo_folder(), folder)
    file = folder / "observatory.toml"
    text = file.read_text()
    assert "[-6.5, 0.25]" in text
    file.write_text(text.replace("[-6.5, 0.25]", "[-6.5, -0.5]"))
    words = ["outlook", "--config", str(folder), "--night", "2026-11-10"]
    assert main([*words, "--json"]) == 0
    first = json.loads(capsys.readouterr().out)["targets"][0]
    (gap,) = first["out_of_reach"]
    assert len(first["groups"][0]["windows"]) == 2
    assert gap[0] < first["meridian_utc"] < gap[1]
    assert main(words) == 0
    assert "out of" in capsys.readouterr().out
