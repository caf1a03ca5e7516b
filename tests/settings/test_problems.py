"""What is wrong with a configuration is said in one sentence: file, key, value, what is allowed."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.settings import SettingsError, demo_folder, read_settings
from nightloom.settings.observatory import Observatory, Site
from nightloom.settings.targets import Target

Edit = Callable[..., list[str]]


@pytest.fixture
def edited(tmp_path: Path) -> Edit:
    """Replaces a text in one file of a copy of the demo, and returns the problems read."""
    folder = tmp_path / "config"
    shutil.copytree(demo_folder(), folder)

    def edit(file: str, old: str, new: str) -> list[str]:
        text = (folder / file).read_text()
        assert old in text
        (folder / file).write_text(text.replace(old, new, 1))
        return problems(folder)

    return edit


def problems(folder: Path) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        read_settings(folder)
    return [str(problem) for problem in caught.value.problems]


CASES = [
    (
        "observatory.toml",
        "latitude_deg = 47.1",
        "latitude_deg = 95",
        "observatory.toml: site.latitude_deg = 95 must be a number from -90 to 90, in degrees"
        " (geodetic latitude, north positive).",
    ),
    (
        "observatory.toml",
        "latitude_deg = 47.1",
        "latitude = 47.1",
        "observatory.toml: site.latitude = 47.1 is not a known key; write latitude_deg,"
        " in degrees.",
    ),
    (
        "observatory.toml",
        "latitude_deg = 47.1",
        "",
        "observatory.toml: site.latitude_deg is missing; it must be a number from -90 to 90,"
        " in degrees (geodetic latitude, north positive).",
    ),
    (
        "observatory.toml",
        "latitude_deg = 47.1",
        "latitude_deg = nan",
        "observatory.toml: site.latitude_deg = NaN must be a number from -90 to 90, in degrees"
        " (geodetic latitude, north positive).",
    ),
    (
        "observatory.toml",
        "gain = 100",
        "gian = 100",
        "observatory.toml: camera.gian = 100 is not a known key; write gain.",
    ),
    (
        "observatory.toml",
        'kind = "catalogue"',
        'kind = "guess"',
        "observatory.toml: solver.kind = \"guess\" must be 'astrometry' or 'catalogue'"
        " (astrometry.net's solve-field, or the built-in star list).",
    ),
    (
        "observatory.toml",
        "~/nightloom-demo",
        "nightloom-demo",
        'observatory.toml: output_folder = "nightloom-demo" must be an absolute path,'
        " or one that starts with ~.",
    ),
    (
        "observatory.toml",
        "hour_angle_pier_west_h = [-6.5, 0.25]",
        "hour_angle_pier_west_h = [0.25, -6.5]",
        "observatory.toml: mount.hour_angle_pier_west_h = [0.25, -6.5] must be [lowest, highest]"
        " between -12 and 12 hours, west positive.",
    ),
    (
        "observatory.toml",
        "hour_angle_pier_west_h = [-6.5, 0.25]",
        "hour_angle_pier_west_h = [-0.1, 7.0]",
        "observatory.toml: mount must have lower hour angles in hour_angle_pier_west_h, where the"
        " telescope looks east, than in hour_angle_pier_east_h.",
    ),
    (
        "observatory.toml",
        "hour_angle_pier_east_h = [-0.25, 6.5]",
        "hour_angle_pier_east_h = [-3.0, 3.0]\nflip_after_h = 3.5",
        "observatory.toml: mount must have flip_after_h inside hour_angle_pier_east_h, or no target"
        " could be followed through the meridian.",
    ),
    (
        "observatory.toml",
        "minimum_steps = 500",
        "minimum_steps = 20000",
        "observatory.toml: focuser must have minimum_steps below maximum_steps.",
    ),
    (
        "targets.toml",
        "exposure_s = 120.0",
        "exposure_s = -120.0",
        'targets.toml: target["NGC 891"].filter.L.exposure_s = -120.0 must be a number above 0'
        " up to 7200, in seconds (length of one sub).",
    ),
    (
        "targets.toml",
        "exposure_s = 120.0",
        'exposure_s = "120s"',
        'targets.toml: target["NGC 891"].filter.L.exposure_s = "120s" must be a number above 0'
        " up to 7200, in seconds (length of one sub).",
    ),
    (
        "targets.toml",
        "exposure_s = 120.0",
        "exposure_min = 2.0",
        'targets.toml: target["NGC 891"].filter.L.exposure_min = 2.0 is not a known key;'
        " write exposure_s, in seconds.",
    ),
    (
        "targets.toml",
        "[target.filter.L]",
        "[target.filter.Lum]",
        'targets.toml: target["NGC 891"].filter.Lum = "Lum" is held by no slot of the wheel;'
        " its slots hold L, R, G, B, Ha, OIII, SII.",
    ),
    (
        "targets.toml",
        'ra = "02h22m33s"',
        'ra = "25h22m33s"',
        'targets.toml: target["NGC 891"].ra = "25h22m33s" must be text such as "05h35m17s",'
        " below 24 h and with minutes and seconds below 60, or write ra_deg as a number in"
        " degrees.",
    ),
    (
        "targets.toml",
        'dec = "+42d20m57s"',
        "dec = 42.3",
        'targets.toml: target["NGC 891"].dec = 42.3 must be text such as "-05d23m28s",'
        " from -90 to 90 degrees and with minutes and seconds below 60, or write dec_deg as a"
        " number in degrees.",
    ),
    (
        "targets.toml",
        'name = "M81"',
        'name = "NGC 891"',
        'targets.toml: target = "NGC 891" must name one target only.',
    ),
    (
        "targets.toml",
        "priority = 1",
        'equinox = "date"',
        'targets.toml: target["NGC 891"].equinox = "date" must be a Julian or Besselian year such'
        ' as "J2000" or "B1950".',
    ),
    (
        "targets.toml",
        "priority = 1",
        'until_utc = "25:00"',
        'targets.toml: target["NGC 891"].until_utc = "25:00" must be a time of day such as'
        ' "02:30".',
    ),
    (
        "targets.toml",
        "priority = 1",
        "maximum_hours = 0",
        'targets.toml: target["NGC 891"].maximum_hours = 0 must be a number above 0 up to 24,'
        " in hours (accepted hours after which a night leaves it).",
    ),
    (
        "targets.toml",
        "priority = 1",
        "maximum_moonlight_ratio = 0.5",
        'targets.toml: target["NGC 891"].maximum_moonlight_ratio = 0.5 must be a number above 1 up'
        " to 100 (sky at the target with the Moon over sky without up to which it is taken; left"
        " out, any, as a bright sky counts for less in the plan anyhow).",
    ),
    (
        "targets.toml",
        "priority = 1",
        "moonlight_ratio_max = 5.0",
        'targets.toml: target["NGC 891"].moonlight_ratio_max = 5.0 is not a known key; write'
        " maximum_moonlight_ratio.",
    ),
    (
        "targets.toml",
        "priority = 1",
        "moon_distance_deg = 30.0",
        'targets.toml: target["NGC 891"].moon_distance_deg = 30.0 is not a known key; known'
        " here: name, ra_deg, dec_deg, equinox, priority, altitude_floor_deg,"
        " maximum_moonlight_ratio, count, from_utc, from_local, until_utc,"
        " until_local, maximum_hours, filter, group, mosaic, dither.",
    ),
    (
        "targets.toml",
        '[[target]]\nname = "M81"',
        '[[target.group]]\n[target.group.filter.Ha]\nexposure_s = 60\n[[target]]\nname = "M81"',
        'targets.toml: target["NGC 891"] must hold either [target.filter.NAME] tables or'
        " [[target.group]] tables.",
    ),
    (
        "policies.toml",
        "points = 9",
        "points = 8",
        "policies.toml: focus.points = 8 must be odd, so that the curve has a middle.",
    ),
    (
        "policies.toml",
        'filter = "L"',
        'filter = "Z"',
        'policies.toml: focus.filter = "Z" is held by no slot of the wheel;'
        " its slots hold L, R, G, B, Ha, OIII, SII.",
    ),
    (
        "policies.toml",
        "[focus]",
        "[focsu]",
        "policies.toml: focsu is not a known key; write focus.",
    ),
    (
        "policies.toml",
        "points = 9",
        "points = nine",
        "policies.toml: line 6 is not valid TOML: 'points = nine'; text stands in quotes, as in"
        ' "nine".',
    ),
    (
        "observatory.toml",
        "focal_length_mm = 530.0",
        "focal_length_mm = 0.53",
        "observatory.toml: optics must have focal_length_mm at least 0.5 times aperture_mm, as no"
        " telescope is faster; 0.53 mm to 106 mm is not: if it is in metres, write 530.",
    ),
    (
        "observatory.toml",
        "focal_length_mm = 530.0",
        "focal_length_mm = 20.87",
        "observatory.toml: optics must have focal_length_mm at least 0.5 times aperture_mm, as no"
        " telescope is faster; 20.87 mm to 106 mm is not: if it is in inches, write 530.1.",
    ),
    (
        "observatory.toml",
        "pixel_um = 3.76",
        "pixel_um = 0.00376",
        "observatory.toml: camera.pixel_um = 0.00376 must be a number from 0.5 to 100, in"
        " micrometres (size of an unbinned pixel; left out, the camera is asked).",
    ),
    (
        "observatory.toml",
        "focal_length_mm = 530.0",
        "focal_length_mm = 530,5",
        "observatory.toml: line 21 is not valid TOML: 'focal_length_mm = 530,5'; a number has a"
        " point, as in 530.5.",
    ),
    (
        "observatory.toml",
        'device = "Rig Camera"',
        "device = Rig Camera  # the big one",
        "observatory.toml: line 26 is not valid TOML: 'device = Rig Camera  # the big one'; text"
        ' stands in quotes, as in "Rig Camera".',
    ),
    (
        "observatory.toml",
        '"~/nightloom-demo"',
        "~/nightloom-demo",
        "observatory.toml: line 6 is not valid TOML: 'output_folder = ~/nightloom-demo'; text"
        ' stands in quotes, as in "~/nightloom-demo".',
    ),
    (
        "observatory.toml",
        "offset_steps = 21",
        "offset_steps = 21000",
        "observatory.toml: filter.R.offset_steps = 21000 is farther than the focuser may travel,"
        " from 500 to 19500 steps (focuser.minimum_steps, maximum_steps).",
    ),
    (
        "observatory.toml",
        "offset_steps = 21",
        "offset_steps = 9500",
        "observatory.toml: filter.R.offset_steps = 9500 leads from focuser.start_steps to 19600,"
        " beyond its travel from 500 to 19500 steps.",
    ),
    (
        "targets.toml",
        'ra = "02h22m33s"',
        'ra = "02h75m33s"',
        'targets.toml: target["NGC 891"].ra = "02h75m33s" must be text such as "05h35m17s",'
        " below 24 h and with minutes and seconds below 60, or write ra_deg as a number in"
        " degrees.",
    ),
    (
        "targets.toml",
        'ra = "02h22m33s"',
        'ra = "02h60m00s"',
        'targets.toml: target["NGC 891"].ra = "02h60m00s" must be text such as "05h35m17s",'
        " below 24 h and with minutes and seconds below 60, or write ra_deg as a number in"
        " degrees.",
    ),
    (
        "targets.toml",
        'dec = "+42d20m57s"',
        'dec = "-95d20m57s"',
        'targets.toml: target["NGC 891"].dec = "-95d20m57s" must be text such as "-05d23m28s",'
        " from -90 to 90 degrees and with minutes and seconds below 60, or write dec_deg as a"
        " number in degrees.",
    ),
    (
        "rig.toml",
        "aperture_mm = 106.0",
        "aperture_mm = 0",
        "rig.toml: optics.aperture_mm = 0 must be a number above 0, in millimetres"
        " (clear diameter of the lens or mirror).",
    ),
    (
        "rig.toml",
        "aperture_mm = 106.0",
        "aperture_cm = 10.6",
        "rig.toml: optics.aperture_cm = 10.6 is not a known key;"
        " write aperture_mm, in millimetres.",
    ),
]


@pytest.mark.parametrize(("file", "old", "new", "sentence"), CASES)
def test_one_mistake_gives_one_sentence(
    edited: Edit, file: str, old: str, new: str, sentence: str
) -> None:
    assert edited(file, old, new) == [sentence]


def test_a_filter_needs_a_slot_and_a_slot_a_filter(edited: Edit) -> None:
    assert edited("observatory.toml", "[filter.SII]", "[filter.Sii]") == [
        'observatory.toml: filter.Sii = "Sii" is held by no slot of the wheel;'
        " its slots hold L, R, G, B, Ha, OIII, SII.",
        'observatory.toml: wheel.slots = "SII" has no table; add [filter.SII].',
    ]


GROUPS = """[[target]]
name = "NGC 7000"
ra = "20h58m47s"
dec = "+44d19m48s"
[[target.group]]
sky = ["dark"]
[target.group.filter.R]
exposure_s = 120
[[target.group]]
name = "narrow"
sky = ["moonlit"]
[target.group.filter.Ha]
exposure_s = 300
"""
GROUP_CASES = [
    (
        'sky = ["moonlit"]',
        'sky = ["moonlight"]',
        'group["narrow"].sky[1] = "moonlight" is not allowed: input should be'
        " 'dark', 'moonlit' or 'twilit'.",
    ),
    (
        "filter.Ha]",
        "filter.R]",
        " must give R the same exposure_s and hours in all of its groups, as they fill one tally.",
    ),
    (
        "filter.Ha]",
        "filter.Hb]",
        'group["narrow"].filter.Hb = "Hb" is held by no slot of the wheel; its slots hold'
        " L, R, G, B, Ha, OIII, SII.",
    ),
    (
        "filter.R]",
        "filter.Rot]",
        'group[1].filter.Rot = "Rot" is held by no slot of the wheel; its slots hold'
        " L, R, G, B, Ha, OIII, SII.",
    ),
    (
        "[target.group.filter.Ha]\nexposure_s = 300\n",
        "",
        'group["narrow"].filter is missing; it must be a table (one table for each filter asked).',
    ),
]


@pytest.mark.parametrize(("old", "new", "sentence"), GROUP_CASES)
def test_a_mistake_in_a_group_gives_one_sentence(
    edited: Edit, old: str, new: str, sentence: str
) -> None:
    first = '[[target]]\nname = "NGC 891"'
    assert old in GROUPS
    (told,) = edited("targets.toml", first, f"{GROUPS.replace(old, new, 1)}\n{first}")
    assert told.removeprefix('targets.toml: target["NGC 7000"]').lstrip(".") == sentence


def test_one_name_fills_one_slot(edited: Edit) -> None:
    found = edited("observatory.toml", '"B", "Ha"', '"L", "Ha"')
    assert any("must name each filter once; L fills two slots" in sentence for sentence in found)


def test_all_problems_of_all_files_come_together(edited: Edit) -> None:
    edited("observatory.toml", "latitude_deg = 47.1", "latitude_deg = 95")
    edited("targets.toml", "share = 3", "share = 0")
    found = edited("policies.toml", "minimum_step_px = 3.0", "minimum_step_px = 30.0")
    assert [sentence.split(":")[0] for sentence in found] == [
        "observatory.toml",
        "targets.toml",
        "policies.toml",
    ]


def test_missing_files_and_folders_are_named(tmp_path: Path) -> None:
    assert problems(tmp_path / "nowhere") == [
        f"{file} is missing in {tmp_path / 'nowhere'}."
        for file in ("observatory.toml", "targets.toml", "policies.toml")
    ]


def test_a_file_that_is_not_text_is_named(edited: Edit, tmp_path: Path) -> None:
    (tmp_path / "config" / "policies.toml").write_bytes(b"[dark]\n\xff\xfe")
    assert problems(tmp_path / "config") == [
        "policies.toml: line 2 holds a byte that is not UTF-8 text; save the file as UTF-8."
    ]


@pytest.mark.parametrize(
    "mark", [b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"], ids=["UTF-8", "UTF-16", "UTF-16 BE"]
)
def test_a_byte_order_mark_is_named(edited: Edit, tmp_path: Path, mark: bytes) -> None:
    (tmp_path / "config" / "policies.toml").write_bytes(mark + b"[dark]\n")
    assert problems(tmp_path / "config") == [
        "policies.toml begins with a byte order mark; save it as plain UTF-8, without one."
    ]


def test_lines_may_end_as_on_other_systems(edited: Edit, tmp_path: Path) -> None:
    for file in (tmp_path / "config").iterdir():
        file.write_bytes(file.read_bytes().replace(b"\n", b"\r\n"))
    assert read_settings(tmp_path / "config") == read_settings(demo_folder())


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "targets.toml: target is missing; it must be a list (one [[target]] table for"),
        ("target = []", "targets.toml: target = [] must not be empty (one [[target]] table for"),
    ],
)
def test_a_list_of_no_targets_is_named(edited: Edit, tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "config" / "targets.toml").write_text(text)
    (sentence,) = problems(tmp_path / "config")
    assert sentence.startswith(told)


@pytest.mark.parametrize(
    ("file", "old", "new", "key"),
    [
        (
            "targets.toml",
            "[target.filter.SII]",
            "[target.filter.Dark]",
            'target["NGC 1499"].filter',
        ),
        ("policies.toml", 'filter = "L"', 'filter = "Dark"', "focus"),
    ],
)
def test_a_blind_filter_cannot_be_asked_for(
    edited: Edit, tmp_path: Path, file: str, old: str, new: str, key: str
) -> None:
    observatory = tmp_path / "config" / "observatory.toml"
    text = observatory.read_text().replace('"SII"]', '"SII", "Dark"]')
    blind = "[filter.Dark]\nblind = true\noffset_steps = 0\nwavelength_nm = 550\n\n[focuser]"
    observatory.write_text(text.replace("[focuser]", blind))
    (sentence,) = edited(file, old, new)
    assert sentence.startswith(f"{file}: {key}")
    assert "lets no light through" in sentence


@pytest.mark.parametrize("wrong", ['"cap"', "[1, 2]", "3"])
def test_a_value_where_a_table_belongs_is_said_so(edited: Edit, wrong: str) -> None:
    edited("observatory.toml", "output_folder", f"dust_cap = {wrong}\noutput_folder")
    assert edited("observatory.toml", '[dust_cap]\ndevice = "Rig Dust Cap"\n', "") == [
        f"observatory.toml: dust_cap = {wrong} must be a table (the telescope's cap)."
    ]


@given(latitude_deg=st.floats(allow_nan=False, allow_infinity=False))
def test_exactly_the_latitudes_of_the_earth_are_allowed(latitude_deg: float) -> None:
    table = {"latitude_deg": latitude_deg, "longitude_deg": 9.6, "elevation_m": 820.0}
    if -90 <= latitude_deg <= 90:
        assert Site.model_validate(table).latitude_deg == latitude_deg
    else:
        with pytest.raises(ValueError, match="latitude_deg"):
            Site.model_validate(table)


@given(ra_deg=st.floats(0, 359.99), dec_deg=st.floats(-90, 90))
def test_angles_written_as_text_are_read_back(ra_deg: float, dec_deg: float) -> None:
    """Against hand-made sexagesimal text, to a hundredth of a second of time."""
    hours, rest = divmod(round(ra_deg / 15 * 360000), 360000)
    minutes, hundredths = divmod(rest, 6000)
    table = {
        "name": "any",
        "ra": f"{hours:02}h{minutes:02}m{hundredths / 100:05.2f}s",
        "dec": f"{dec_deg:+.8f}d",
        "filter": {"L": {"exposure_s": 60.0}},
    }
    target = Target.model_validate(table)
    assert target.ra_deg == pytest.approx(ra_deg, abs=15 * 0.006 / 3600)
    assert target.dec_deg == pytest.approx(dec_deg, abs=1e-7)


def test_settings_cannot_be_changed() -> None:
    observatory: Observatory = read_settings(demo_folder()).observatory
    with pytest.raises(ValueError, match="frozen"):
        observatory.site.latitude_deg = 0.0


def test_a_roof_without_a_weather_station_must_be_meant(edited: Edit, tmp_path: Path) -> None:
    station = '[weather]\ndevice = "Rig Weather"\nsilence_s = 180.0\n'
    (problem,) = edited("observatory.toml", station, "")
    assert problem.startswith('observatory.toml: roof = "Rig Roof" would open with no [weather]')
    file = tmp_path / "config" / "observatory.toml"
    said = 'device = "Rig Roof"\n'
    file.write_text(file.read_text().replace(said, said + "unwatched = true\n"))
    assert read_settings(tmp_path / "config").observatory.weather == ()


def test_local_times_need_the_time_zone_of_the_site(edited: Edit, tmp_path: Path) -> None:
    """It may be left out where no time is told by it; the demo says Europe/Zurich."""
    file = tmp_path / "config" / "targets.toml"
    file.write_text(file.read_text().replace("priority = 1", 'from_local = "22:00"', 1))
    read_settings(tmp_path / "config")
    assert edited("observatory.toml", 'time_zone = "Europe/Zurich"\n', "") == [
        'targets.toml: target["NGC 891"].from_local = "22:00" needs the time zone of the site;'
        " write site.time_zone in observatory.toml."
    ]


def test_a_time_is_told_by_one_clock(edited: Edit) -> None:
    both = 'until_utc = "02:00"\nuntil_local = "03:00"'
    (told,) = edited("targets.toml", "priority = 1", both)
    assert told.endswith("must hold either until_utc or until_local.")
