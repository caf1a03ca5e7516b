"""What a running daemon takes of a configuration that was read again, and what it leaves."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from nightloom.settings import Settings, demo_folder, read_settings
from nightloom.settings.changes import take_over

Edited = Callable[..., Settings]


@pytest.fixture
def edited(tmp_path: Path) -> Edited:
    """The demo's settings with a text replaced in each of some files: file, old, new."""
    folder = tmp_path / "config"
    shutil.copytree(demo_folder(), folder)

    def edit(*changes: tuple[str, str, str]) -> Settings:
        for file, old, new in changes:
            text = (folder / file).read_text()
            assert old in text
            (folder / file).write_text(text.replace(old, new))
        return read_settings(folder)

    return edit


@pytest.fixture
def running() -> Settings:
    return read_settings(demo_folder())


def test_the_same_configuration_changes_nothing(running: Settings, edited: Edited) -> None:
    new = take_over(running, edited())
    assert (new.settings, new.taken, new.left) == (running, (), ())


def test_targets_policies_and_numbers_of_instruments_are_taken(
    running: Settings, edited: Edited
) -> None:
    read = edited(
        ("targets.toml", "wanted_hours = 12.0", "wanted_hours = 20.0"),
        ("policies.toml", "points = 9", "points = 11"),
        ("observatory.toml", "gain = 100", "gain = 120"),
        ("observatory.toml", "offset_steps = 21", "offset_steps = 25"),
    )
    new = take_over(running, read)
    assert new.settings == read
    assert new.taken == (
        "observatory.toml: camera.gain",
        "observatory.toml: filter.R",
        "policies.toml: focus.points",
        'targets.toml: target "NGC 891"',
    )
    assert new.left == ()


@pytest.mark.parametrize(
    ("file", "old", "new", "key"),
    [
        ("observatory.toml", "port = 7624", "port = 7625", "server.port"),
        ("observatory.toml", "latitude_deg = 47.1", "latitude_deg = 47.2", "site.latitude_deg"),
        ("observatory.toml", "nightloom-demo", "elsewhere", "output_folder"),
        ("observatory.toml", "[-6.5, 0.25]", "[-6.5, 0.1]", "mount.hour_angle_pier_west_h"),
        ("observatory.toml", "move_deadline_s = 90.0", "move_deadline_s = 60.0", "roof"),
        ("observatory.toml", "silence_s = 180.0", "silence_s = 90.0", "weather"),
        ("observatory.toml", '"Rig Focuser"', '"Focuser"', "focuser.device"),
        ("policies.toml", "[focus]", "[remote]\nport = 1\n[focus]", "remote.port"),
        ("policies.toml", "[focus]", "[notices]\nevents = []\n[focus]", "notices.events"),
    ],
)
def test_what_is_held_for_the_daemons_life_is_left_and_named(
    running: Settings, edited: Edited, file: str, old: str, new: str, key: str
) -> None:
    taken = take_over(running, edited((file, old, new)))
    assert taken.settings == running
    assert taken.taken == ()
    (left,) = taken.left
    assert left.startswith(f"{file}: {key}")


def test_the_rest_of_a_file_is_taken_all_the_same(running: Settings, edited: Edited) -> None:
    read = edited(
        ("observatory.toml", "port = 7624", "port = 7625"),
        ("observatory.toml", "gain = 100", "gain = 120"),
    )
    new = take_over(running, read)
    assert new.settings.observatory.camera.gain == 120
    assert new.settings.observatory.server == running.observatory.server
    assert (new.taken, new.left) == (
        ("observatory.toml: camera.gain",),
        ("observatory.toml: server.port",),
    )


def test_filters_of_another_wheel_wait_for_it(running: Settings, edited: Edited) -> None:
    """And so does what asks for them: the wheel that runs has no such slot."""
    read = edited(
        ("observatory.toml", '"Rig Wheel"', '"Wheel"'),
        ("observatory.toml", '"SII"]', '"S2"]'),
        ("observatory.toml", "[filter.SII]", "[filter.S2]"),
        ("targets.toml", "[target.filter.SII]", "[target.filter.S2]"),
        ("policies.toml", 'filter = "L"', 'filter = "S2"'),
    )
    new = take_over(running, read)
    assert new.settings == running
    assert new.taken == ()
    assert {"observatory.toml: wheel.device", 'targets.toml: target "NGC 1499"'} <= set(new.left)
    assert "policies.toml: focus.filter" in new.left


def test_a_target_that_is_new_or_gone_is_named(running: Settings, edited: Edited) -> None:
    new = take_over(running, edited(("targets.toml", 'name = "M81"', 'name = "M 81"')))
    assert new.taken == ('targets.toml: target "M81"', 'targets.toml: target "M 81"')
    assert [one.name for one in new.settings.targets.targets] == ["NGC 891", "M 81", "NGC 1499"]
