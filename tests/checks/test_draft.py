"""A first configuration out of what devices offer: it loads, or lacks what its comments ask for."""

import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.checks.choosing import cameras
from nightloom.checks.draft import draft
from nightloom.checks.looking import Offered, offered
from nightloom.cli import main
from nightloom.settings import SettingsError, demo_folder, read_settings
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link import Kind, LoopbackLink, State, Value, Vector
from nightloom_drivers.simulators.rig import build_rig
from nightloom_drivers.virtual_loop import run_virtual
from rig.drafted import fill_in

EVENING_S = 1794841200.0

TARGETS = """[[target]]
name = "M 31"
ra = "00h42m44s"
dec = "+41d16m09s"
[target.filter.L]
exposure_s = 120.0
"""


def vector(
    name: str,
    elements: Mapping[str, Value],
    limits: Mapping[str, tuple[float, float]] | None = None,
    kind: Kind = Kind.NUMBER,
) -> Vector:
    return Vector("any", name, kind, State.OK, elements, limits or {})


def device(name: str, interface: int, *vectors: Vector) -> Offered:
    info = vector("DRIVER_INFO", {"DRIVER_INTERFACE": str(interface)}, kind=Kind.TEXT)
    return Offered(name, {one.name: one for one in (info, *vectors)})


def camera(name: str, width_px: int, *more: Vector) -> Offered:
    chip = {"CCD_MAX_X": float(width_px), "CCD_MAX_Y": 1000.0, "CCD_PIXEL_SIZE": 3.0}
    return device(name, 2, vector("CCD_INFO", chip), *more)


COOLER = vector("CCD_TEMPERATURE", {"CCD_TEMPERATURE_VALUE": 10.0})


@pytest.fixture(scope="module")
def demo_rig() -> list[Offered]:
    """The devices of the demo's rig; each is left off, and stands where it stood."""
    rig_settings = read_settings(demo_folder()).rig
    assert rig_settings is not None

    async def look() -> list[Offered]:
        rig = build_rig(rig_settings, LoopClock(EVENING_S), seed=1)
        async with LoopbackLink(rig.simulators) as link:
            seen = await offered(link, None, 15.0)
            for one in seen:
                connection = link.get(one.name, "CONNECTION")
                assert connection is not None
                assert connection.on("DISCONNECT")
        end_s = EVENING_S + 60.0
        assert rig.world.focuser.position(end_s) == rig_settings.focuser.start_steps
        assert rig.world.wheel.slot(end_s) == rig_settings.wheel.start_slot
        return seen

    return run_virtual(look())


def written(folder: Path, files: Mapping[str, str]) -> list[str]:
    """Write a draft, and return the keys that keep it from loading."""
    folder.mkdir(exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text)
    try:
        read_settings(folder)
    except SettingsError as error:
        problems = error.problems
    else:
        return []
    for one in problems:
        assert "is missing; it must" in str(one) or "say unwatched = true" in str(one)
    return [one.key for one in problems]


def test_the_demo_rig_gives_a_configuration_that_lacks_two_things(
    demo_rig: list[Offered], tmp_path: Path
) -> None:
    folder = tmp_path / "config"
    assert written(folder, draft(demo_rig, "somewhere", 7624, "# Beware.")) == [
        "focuser.step_um",
        "target",
    ]
    fill_in(folder, {"step_um": 2.0}, TARGETS)
    ours, demo = read_settings(folder).observatory, read_settings(demo_folder()).observatory
    for section in (
        "camera",
        "guide_camera",
        "wheel",
        "focuser",
        "mount",
        "guide_port",
        "roof",
        "dust_cap",
    ):
        assert getattr(ours, section).device == getattr(demo, section).device
    assert ours.wheel == demo.wheel
    assert ours.site.place == demo.site.place
    assert ours.optics == demo.optics
    assert ours.guide_camera.focal_length_mm == demo.guide_camera.focal_length_mm
    assert (ours.camera.pixel_um, ours.camera.width_px) == (3.76, 1024)
    assert (ours.focuser.minimum_steps, ours.focuser.maximum_steps) == (0, 20000)
    assert {name: one.wavelength_nm for name, one in ours.filters.items()} == {
        name: one.wavelength_nm for name, one in demo.filters.items()
    }
    assert [one.device for one in ours.weather] == ["Rig Weather"]
    text = (folder / "observatory.toml").read_text()
    assert "# Offered and not used here: " in text
    assert 'device = "Rig Guide Camera"  # GUESS: it is named so' in text


@pytest.mark.parametrize(
    ("offers", "main_one", "guide", "why"),
    [
        ((camera("Old Guider", 9000), camera("A", 1000)), "A", "Old Guider", "it is named so"),
        (
            (camera("B", 9000), camera("A", 1000, COOLER)),
            "A",
            "B",
            "it has no cooler, and A has one",
        ),
        (
            (camera("B", 1000), camera("A", 9000)),
            "A",
            "B",
            "its sensor is no larger than that of A",
        ),
    ],
)
def test_which_of_two_cameras_guides_is_guessed_and_said(
    offers: tuple[Offered, ...], main_one: str, guide: str, why: str
) -> None:
    imaging, guiding = cameras(offers)
    assert imaging is not None
    assert guiding is not None
    assert (imaging.device.name, guiding.device.name, guiding.why) == (main_one, guide, why)
    text = draft(offers, "localhost", 7624, "")["observatory.toml"]
    assert f"GUESS: {why}" in text


def test_one_camera_with_two_chips_guides_itself() -> None:
    chip = {"CCD_MAX_X": 500.0, "CCD_MAX_Y": 290.0, "CCD_PIXEL_SIZE": 9.8}
    chip |= {"CCD_PIXEL_SIZE_X": 9.8, "CCD_PIXEL_SIZE_Y": 12.6}
    text = draft([camera("A", 4000, vector("GUIDER_INFO", chip))], "h", 1, "")["observatory.toml"]
    assert 'head = "guide"' in text
    assert (
        "# Its pixels are 9.8 µm wide and 12.6 µm high; square ones are taken for granted." in text
    )


def test_a_camera_without_gain_and_cooler_is_drafted_without() -> None:
    text = draft([camera("A", 4000)], "h", 1, "")["observatory.toml"]
    assert "cooled = false" in text
    assert "# It has no gain that could be set." in text
    assert "\ngain" not in text


def test_a_roof_without_a_station_is_asked_about(tmp_path: Path) -> None:
    text = draft([device("Garage", 32)], "h", 1, "")["observatory.toml"]
    assert "# FILL IN: true to open it without a weather station" in text
    assert "# unwatched =" in text


NAMES = st.text(min_size=1, max_size=8)
NUMBERS = st.floats(allow_nan=True, allow_infinity=True)
ELEMENTS = {
    "CCD_INFO": ("CCD_MAX_X", "CCD_MAX_Y", "CCD_PIXEL_SIZE", "CCD_PIXEL_SIZE_Y"),
    "GUIDER_INFO": ("CCD_MAX_X", "CCD_MAX_Y", "CCD_PIXEL_SIZE"),
    "CCD_TEMPERATURE": ("CCD_TEMPERATURE_VALUE",),
    "CCD_CONTROLS": ("Gain", "Offset"),
    "FILTER_SLOT": ("FILTER_SLOT_VALUE",),
    "ABS_FOCUS_POSITION": ("FOCUS_ABSOLUTE_POSITION",),
    "FOCUS_MAX": ("FOCUS_MAX_VALUE",),
    "GEOGRAPHIC_COORD": ("LAT", "LONG", "ELEV"),
    "TELESCOPE_INFO": ("TELESCOPE_FOCAL_LENGTH", "TELESCOPE_APERTURE", "GUIDER_FOCAL_LENGTH"),
    "SCOPE_INFO": ("FOCAL_LENGTH", "APERTURE"),
    "WEATHER_UPDATE": ("PERIOD",),
    "WEATHER_PARAMETERS": ("WEATHER_WIND_SPEED",),
}


@st.composite
def numbers(draw: st.DrawFn, name: str) -> Vector:
    """A vector of numbers with any values and any limits."""
    elements = {element: draw(NUMBERS) for element in ELEMENTS[name]}
    limits = {element: (draw(NUMBERS), draw(NUMBERS)) for element in elements}
    return vector(name, elements, limits)


@st.composite
def devices(draw: st.DrawFn) -> Offered:
    """A device that claims anything and has anything."""
    some = draw(st.sets(st.sampled_from(sorted(ELEMENTS)), max_size=6))
    vectors = [draw(numbers(name)) for name in sorted(some)]
    slots = draw(st.lists(st.text(max_size=4), max_size=5))
    named = {f"FILTER_SLOT_NAME_{number}": slot for number, slot in enumerate(slots, 1)}
    vectors.append(vector("FILTER_NAME", named, kind=Kind.TEXT))
    return device(draw(NAMES), draw(st.integers(0, 2047)), *vectors)


@settings(max_examples=25)
@given(offers=st.lists(devices(), max_size=5, unique_by=lambda one: one.name))
def test_whatever_is_offered_the_draft_lacks_only_what_its_comments_ask_for(
    tmp_path_factory: pytest.TempPathFactory, offers: list[Offered]
) -> None:
    files = draft(offers, "localhost", 7624, "# Beware.")
    tomllib.loads(files["observatory.toml"])
    text = "".join(files.values())
    for key in written(tmp_path_factory.getbasetemp() / "any", files):
        asked = {"target": "[[target]]", "filter": "[filter.NAME]", "roof": "unwatched ="}
        assert f"\n# {asked.get(key, key.rpartition('.')[2] + ' =')}" in text, key


def test_what_is_there_is_not_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "targets.toml").write_text("# mine\n")
    assert main(["check", "--devices", "--write", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert told == f"{tmp_path} holds targets.toml already; nothing was written.\n"
    assert [file.name for file in tmp_path.iterdir()] == ["targets.toml"]
    assert main(["check", "--write", str(tmp_path / "new")]) == 2
    assert "add --devices" in capsys.readouterr().err
    assert main(["check", "--devices", "--write", str(tmp_path / "new"), "--server", "a:b"]) == 2
    assert "must be HOST:PORT" in capsys.readouterr().err
