"""nightloom check, and what it asks of devices."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from nightloom.checks.devices import check_devices
from nightloom.checks.disk import output_problems
from nightloom.cli import main
from nightloom.cli.check import find_problems
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom.settings.observatory import Weather
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link import LoopbackLink
from nightloom_drivers.simulators.rig import build_rig
from nightloom_drivers.virtual_loop import run_virtual
from servers import free_port

EVENING_S = datetime(2026, 11, 14, 15, tzinfo=UTC).timestamp()


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the demo configuration, which is also the default one."""
    copy = tmp_path / "config"
    shutil.copytree(demo_folder(), copy)
    monkeypatch.setenv("NIGHTLOOM_CONFIG", str(copy))
    monkeypatch.setenv("HOME", str(tmp_path))
    return copy


def edit(folder: Path, file: str, old: str, new: str) -> None:
    text = (folder / file).read_text()
    assert old in text
    (folder / file).write_text(text.replace(old, new))


def test_a_good_configuration_passes(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check"]) == 0
    assert capsys.readouterr().out.startswith(
        f"All is plausible in {folder}.\nThe site is 47.1° north, 9.6° east, 820 m above the sea; "
    )
    assert main(["check", "--json", "--config", str(folder)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["folder"], told["ok"], told["problems"]) == (str(folder), True, [])
    assert len(told["notes"]) == 6


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("needs_flip = true", "needs_flip = false", "as a fork does; pier sides"),
        ("[-6.5, 0.25]", "[-6.5, -0.1]", "Neither side may look from -0.1 to +0.02 h: the mount"),
        ("needs_flip = true", "flip_after_h = 0.5", "stands still for 15 min at each crossing"),
        ("needs_flip = true", 'pier_side = "solved"', "a solved frame that lies upside down"),
        ("needs_flip = true", 'pier_side = "opposite"', "report the other side"),
        ("backlash_steps = 80", "backlash_steps = 0", "measured on the way back over the curve"),
        ("backlash_steps = 80\n", "", "and kept in the ledger ("),
        ("needs_flip = true", "flip_retry_s = 60", "told once more after 60 s"),
        ("needs_flip = true", "flip_after_h = 0.2", "It flips late: a slew before hour angle +0.2"),
        ("[-6.5, 0.25]", "[-6.5, 0.5]", "tracks up to 30 min past the meridian"),
        ("needs_flip = true", 'pier_side = "reported"', "one that says none is taken to go where"),
        ("sync = true", "sync = false", "slews aim beside the target by as much as"),
    ],
)
def test_how_a_mount_gets_past_the_meridian_is_explained(
    folder: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, said: str
) -> None:
    edit(folder, "observatory.toml", old, new)
    assert main(["check"]) == 0
    assert said in capsys.readouterr().out


def test_dithers_that_have_no_room_are_told_beforehand(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check"]) == 0
    told = capsys.readouterr().out
    assert "dithers of NGC 891, M81, NGC 1499 go further out: a radius of 12 px holds" in told
    edit(folder, "policies.toml", "radius_px = 12.0", "radius_px = 40.0")
    assert main(["check"]) == 0
    assert "go further out" not in capsys.readouterr().out


def test_problems_are_listed_on_stderr_or_as_json(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    edit(folder, "observatory.toml", "latitude_deg = 47.1", "latitude_deg = 95")
    edit(folder, "policies.toml", "points = 9", "points = 8")
    assert main(["check"]) == 2
    output = capsys.readouterr()
    assert output.out == ""
    assert [line.split(" ")[1] for line in output.err.splitlines()] == [
        "site.latitude_deg",
        "focus.points",
    ]
    assert main(["check", "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert told["ok"] is False
    assert [problem["key"] for problem in told["problems"]] == ["site.latitude_deg", "focus.points"]
    assert [problem["sentence"] for problem in told["problems"]] == output.err.splitlines()


def test_a_missing_folder_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", "--config", str(tmp_path / "nowhere")]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert f"no configuration folder {tmp_path / 'nowhere'};" in told


def test_an_output_folder_that_cannot_be_written_is_a_problem(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert output_problems(tmp_path / "new" / "deep") == []
    (tmp_path / "file").write_text("")
    (problem,) = output_problems(tmp_path / "file" / "deep")
    assert str(problem).endswith(f"cannot be a folder: {tmp_path / 'file'} is a file.")
    # Root may write anywhere, so the system's answer is put in its place here.
    monkeypatch.setattr("os.access", lambda *_: False)
    (problem,) = output_problems(tmp_path / "new")
    assert "does not let this user write" in str(problem)


@pytest.mark.servers
def test_a_server_that_does_not_answer_is_one_problem(folder: Path) -> None:
    port = free_port()
    edit(folder, "observatory.toml", "port = 7624", f"port = {port}")
    (problem,) = find_problems(folder, with_devices=True, patience_s=0.5)
    start = f"observatory.toml: server reaches no INDI server at localhost port {port}: "
    assert str(problem).startswith(start)


def device_problems(change: Callable[[Settings], Settings] = lambda same: same) -> list[str]:
    """What is said about the simulated rig of the demo, with the settings changed."""
    settings = read_settings(demo_folder())
    rig_settings = settings.rig
    assert rig_settings is not None

    async def check() -> list[str]:
        rig = build_rig(rig_settings, LoopClock(EVENING_S), seed=1)
        async with LoopbackLink(rig.simulators) as link:
            found = await check_devices(change(settings), link, patience_s=5.0)
            for device in ("Rig Wheel", "Rig Weather"):  # as they were found
                connection = link.get(device, "CONNECTION")
                assert connection is not None
                assert connection.on("DISCONNECT")
        return [str(problem) for problem in found]

    return run_virtual(check())


def with_device(role: str, device: str) -> Callable[[Settings], Settings]:
    def change(settings: Settings) -> Settings:
        section = getattr(settings.observatory, role).model_copy(update={"device": device})
        observatory = settings.observatory.model_copy(update={role: section})
        return replace(settings, observatory=observatory)

    return change


def test_the_demo_rig_is_what_the_demo_configuration_says() -> None:
    assert device_problems() == []


def test_an_absent_device_is_named_with_those_that_are_there() -> None:
    (sentence,) = device_problems(with_device("roof", "Garage Door"))
    start = 'observatory.toml: roof.device = "Garage Door" is not there; the server has Rig Camera,'
    assert sentence.startswith(start)


def test_a_device_of_another_kind_is_said_to_be_one() -> None:
    assert device_problems(with_device("focuser", "Rig Mount")) == [
        'observatory.toml: focuser.device = "Rig Mount" is not a focuser;'
        " its driver says it is a mount and a receiver of guide pulses."
    ]


def with_station(**changes: object) -> Callable[[Settings], Settings]:
    """The demo's settings with its station's section changed, and a second station's before it."""

    def change(settings: Settings) -> Settings:
        (station,) = settings.observatory.weather
        told = station.model_dump() | changes
        told["limit"] = told.pop("limits") | {}
        observatory = settings.observatory.model_copy(
            update={"weather": (station, Weather.model_validate(told))}
        )
        return replace(settings, observatory=observatory)

    return change


def test_a_limit_must_be_in_the_unit_that_the_station_states() -> None:
    """15 m/s are 54 km/h."""
    limits = {
        "WEATHER_WIND_SPEED": {"maximum_m_s": 15.0},
        "WEATHER_HUMIDITY": {"maximum_percent": 90.0},
        "WEATHER_CLOUD": {"maximum_c": -8.0},
        "WEATHER_PRESSURE": {"minimum": 990.0},
    }
    start = "observatory.toml: weather[2].limit."
    wind, cloud, pressure = device_problems(with_station(limits=limits))
    assert wind == (f"{start}WEATHER_WIND_SPEED is measured in km/h and its limit is in m/s.")
    assert cloud.startswith(
        f"{start}WEATHER_CLOUD has a limit and is not measured; the station measures"
        " WEATHER_TEMPERATURE, "
    )
    assert pressure == (
        f"{start}WEATHER_PRESSURE is measured in hPa and its limit is without a unit."
    )


def test_a_station_must_speak_before_it_counts_as_silent() -> None:
    assert device_problems(with_station(silence_s=60.0)) == [
        "observatory.toml: weather[2].silence_s = 60.0 is no longer than the station rests between"
        " two readings, 60 s."
    ]


def test_the_wheel_must_have_the_slots_that_are_named() -> None:
    def one_less(settings: Settings) -> Settings:
        wheel = settings.observatory.wheel
        fewer = wheel.model_copy(update={"slots": wheel.slots[:-1]})
        return replace(
            settings, observatory=settings.observatory.model_copy(update={"wheel": fewer})
        )

    assert device_problems(one_less) == [
        'observatory.toml: wheel.slots = ["L", "R", "G", "B", "Ha", "OIII"]'
        " names 6 slots, and the wheel has 7."
    ]
