"""What observatory.toml may say of weather stations."""

import shutil
from pathlib import Path

import pytest

from nightloom.settings import Observatory, SettingsError, demo_folder, read_settings
from nightloom_drivers.devices import Limit

SECTION = '[weather]\ndevice = "Rig Weather"\nsilence_s = 180.0\n'


def observatory(folder: Path, instead: str) -> Observatory:
    """The demo's with this in place of its station."""
    copy = folder / "config"
    shutil.copytree(demo_folder(), copy)
    file = copy / "observatory.toml"
    text = file.read_text()
    assert text.count(SECTION) == 1
    file.write_text(text.replace(SECTION, instead))
    return read_settings(copy).observatory


def test_one_table_is_one_station_and_several_are_several(tmp_path: Path) -> None:
    two = observatory(tmp_path / "two", '[[weather]]\ndevice = "A"\n[[weather]]\ndevice = "B"\n')
    assert [station.device for station in two.weather] == ["A", "B"]
    one = observatory(tmp_path / "one", SECTION)
    assert [station.device for station in one.weather] == ["Rig Weather"]


@pytest.mark.parametrize(
    ("said", "limit"),
    [
        ("maximum_km_h = 36", Limit(None, 36.0, "km_h")),
        ("minimum_c = -20.5\nmaximum_c = 35", Limit(-20.5, 35.0, "c")),
        ("minimum_mag_arcsec2 = 17.0", Limit(17.0, None, "mag_arcsec2")),
        ("maximum = 1", Limit(None, 1.0, "")),
    ],
)
def test_a_limit_bears_its_unit(tmp_path: Path, said: str, limit: Limit) -> None:
    """Of any parameter, by the name that the station's driver gives it."""
    (station,) = observatory(tmp_path, f"{SECTION}[weather.limit.ANY_NAME]\n{said}\n").weather
    assert {name: table.limit for name, table in station.limits.items()} == {"ANY_NAME": limit}


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        (
            "maximum_furlongs = 36",
            "knows no maximum_furlongs; it must say",
        ),
        ("highest_c = 36", "knows no highest_c; it must say minimum, maximum or both"),
        ("", "must say minimum, maximum or both, with one unit behind, such as maximum_km_h;"),
        ("maximum_km_h = 36\nminimum_m_s = 0", "must say minimum, maximum or both, with one unit"),
        ("maximum_km_h = 36\nmaximum_m_s = 10", "must say minimum, maximum or both, with one unit"),
        ("minimum_c = 20\nmaximum_c = 10", "must have a minimum that is not above its maximum"),
    ],
)
def test_a_limit_that_says_too_little_or_too_much(tmp_path: Path, said: str, sentence: str) -> None:
    with pytest.raises(SettingsError) as refused:
        observatory(tmp_path, f"{SECTION}[weather.limit.WEATHER_WIND_SPEED]\n{said}\n")
    (problem,) = refused.value.problems
    assert problem.key == "weather.limit.WEATHER_WIND_SPEED"
    assert sentence in str(problem)


def test_a_limit_is_a_number(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as refused:
        observatory(tmp_path, f'{SECTION}[weather.limit.WIND]\nmaximum_km_h = "36"\n')
    (problem,) = refused.value.problems
    assert problem.key == "weather.limit.WIND.maximum_km_h"


def test_a_station_is_named_once(tmp_path: Path) -> None:
    twice = '[[weather]]\ndevice = "A"\n[[weather]]\ndevice = "A"\n'
    with pytest.raises(SettingsError, match="must name each station once"):
        observatory(tmp_path, twice)


def test_what_is_wrong_is_told_by_its_place(tmp_path: Path) -> None:
    for said, key in (
        (SECTION.replace("180", "-1"), "weather.silence_s"),
        ('[[weather]]\ndevice = "A"\n[[weather]]\nsilence_s = 60\n', "weather[2].device"),
    ):
        with pytest.raises(SettingsError) as refused:
            observatory(tmp_path / key, said)
        assert [problem.key for problem in refused.value.problems] == [key]
