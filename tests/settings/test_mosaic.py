"""Mosaics: where panels lie, held against astropy's offset frames, and what is wrong with them."""

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom.settings import Panel, SettingsError, Target, demo_folder, panels_of, read_settings
from nightloom.settings.coordinates import of_j2000
from nightloom.sky import separation_deg

FIELD: dict[str, Any] = {"field_width_deg": 1.5, "field_height_deg": 1.0}
SUB = {"R": {"exposure_s": 60.0}}
OBSERVATORY = read_settings(demo_folder()).observatory


def mosaic(place: tuple[float, float] = (314.1, 31.7), **said: Any) -> tuple[Target, ...]:
    told = {"name": "Veil", "ra_deg": place[0], "dec_deg": place[1], "filter": SUB, "mosaic": said}
    return panels_of(Target.model_validate(told), OBSERVATORY)


@given(
    st.tuples(st.floats(0, 359.9), st.floats(-85, 85)),
    st.tuples(st.integers(1, 4), st.integers(1, 4)).filter(lambda grid: grid != (1, 1)),
    st.floats(0, 50),
    st.floats(-180, 180),
)
@settings(max_examples=30)
def test_a_grid_lies_in_the_offset_frame_of_its_centre(
    place: tuple[float, float], grid: tuple[int, int], overlap: float, angle: float
) -> None:
    """Astropy's SkyOffsetFrame turns a position angle to its pole; there all is a plain grid."""
    columns, rows = grid
    panels = mosaic(
        place, columns=columns, rows=rows, overlap_percent=overlap, angle_deg=angle, **FIELD
    )
    frame = SkyCoord(*place, unit="deg").skyoffset_frame(rotation=angle * u.deg)
    seen = SkyCoord([(one.ra_deg, one.dec_deg) for one in panels], unit="deg").transform_to(frame)
    left = 1.5 * (1 - overlap / 100) * ((columns - 1) / 2 - np.arange(columns))
    up = 1.0 * (1 - overlap / 100) * ((rows - 1) / 2 - np.arange(rows))
    assert seen.lon.wrap_at("180d").deg == pytest.approx(np.tile(left, rows), abs=1e-9)
    assert seen.lat.deg == pytest.approx(np.repeat(up, columns), abs=1e-9)
    assert [one.number for one in panels] == list(range(1, columns * rows + 1))


def test_panels_are_targets_that_ask_for_the_same() -> None:
    first, second = mosaic(columns=2, **FIELD)
    assert isinstance(first, Panel)
    assert (first.name, second.name) == ("Veil panel 1", "Veil panel 2")
    assert first.whole == second.whole == "Veil"
    assert first.subs == second.subs
    assert first.mosaic is None
    assert first.ra_deg > second.ra_deg, "the left one is the eastern one"


def test_without_a_mosaic_a_target_is_itself() -> None:
    plain = Target.model_validate({"name": "one", "ra_deg": 1.0, "dec_deg": 2.0, "filter": SUB})
    assert panels_of(plain, OBSERVATORY) == (plain,)
    assert (plain.whole, plain.number) == ("one", 0)


def test_the_size_of_a_frame_follows_from_optics_and_camera() -> None:
    """4000 pixels of 3.76 µm behind 1000 mm: 2 atan(15.04 / 2000) = 0.8617°, by hand."""
    camera = OBSERVATORY.camera.model_copy(
        update={"width_px": 4000, "height_px": 3000, "pixel_um": 3.76}
    )
    optics = OBSERVATORY.optics.model_copy(update={"focal_length_mm": 1000.0})
    own = OBSERVATORY.model_copy(update={"camera": camera, "optics": optics})
    told = {"name": "Veil", "ra_deg": 10.0, "dec_deg": 0.0, "filter": SUB}
    asked = Target.model_validate(told | {"mosaic": {"columns": 2, "overlap_percent": 0.0}})
    first, second = panels_of(asked, own)
    apart = separation_deg(first.ra_deg, first.dec_deg, second.ra_deg, second.dec_deg)
    assert float(apart) == pytest.approx(0.8617, abs=1e-4)


MOSAIC = """[target.mosaic]
columns = 2
field_width_deg = 1.0
field_height_deg = 1.0

[target.filter.L]"""


def with_mosaic(folder: Path, text: str, head: str = "") -> Path:
    """A copy of the demo whose first target is a mosaic."""
    shutil.copytree(demo_folder(), folder)
    file = folder / "targets.toml"
    said = file.read_text().replace("[target.filter.L]", text, 1)
    file.write_text(said.replace("priority = 1\n", f"priority = 1\n{head}", 1))
    return folder


def test_a_configuration_is_read_with_its_panels_in_place(tmp_path: Path) -> None:
    targets = read_settings(with_mosaic(tmp_path / "own", MOSAIC)).targets
    assert [one.name for one in targets.targets] == [
        "NGC 891 panel 1", "NGC 891 panel 2", "M81", "NGC 1499",
    ]  # fmt: skip
    assert [one.number for one in targets.of("NGC 891")] == [1, 2]


def test_panels_may_be_named_one_by_one_in_the_equinox_of_their_target(tmp_path: Path) -> None:
    text = """[[target.mosaic.panel]]
ra = "02h20m00s"
dec = "+42d00m00s"
[[target.mosaic.panel]]
ra_deg = 36.0
dec_deg = 42.5

[target.filter.L]"""
    folder = with_mosaic(tmp_path / "own", text, 'equinox = "B1950"\n')
    first, second = read_settings(folder).targets.of("NGC 891")
    assert (first.ra_deg, first.dec_deg) == pytest.approx(of_j2000(35.0, 42.0, "B1950"))
    assert (second.ra_deg, second.dec_deg) == pytest.approx(of_j2000(36.0, 42.5, "B1950"))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            MOSAIC.replace("columns = 2\n", ""),
            'targets.toml: target["NGC 891"].mosaic must have several columns or rows, or else'
            " [[target.mosaic.panel]] tables.",
        ),
        (
            MOSAIC.replace("field_width_deg = 1.0\n", ""),
            'targets.toml: target["NGC 891"].mosaic = "2 by 1" needs the size of a frame: write'
            " field_width_deg and field_height_deg, or width_px, height_px and pixel_um of the"
            " camera in observatory.toml.",
        ),
        (
            MOSAIC.replace("columns = 2", "column = 2"),
            'targets.toml: target["NGC 891"].mosaic.column = 2 is not a known key; write columns.',
        ),
    ],
)
def test_a_mistake_in_a_mosaic_gives_one_sentence(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read_settings(with_mosaic(tmp_path / "own", text))
    assert [str(problem) for problem in caught.value.problems] == [sentence]


def test_a_target_named_like_a_panel_is_refused(tmp_path: Path) -> None:
    folder = with_mosaic(tmp_path / "own", MOSAIC)
    file = folder / "targets.toml"
    file.write_text(file.read_text().replace('"M81"', '"NGC 891 panel 2"'))
    with pytest.raises(SettingsError, match="must name one target, or panel, only"):
        read_settings(folder)
