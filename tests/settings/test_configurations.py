"""The configurations that ship: complete, readable, and in step with the models."""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_sun
from astropy.time import Time
from astropy.utils import iers
from pydantic import BaseModel

from nightloom.settings import Policies, Settings, demo_folder, read_settings
from nightloom.settings.fields import field_at, model_at
from nightloom.settings.observatory import Observatory
from nightloom.settings.places import default_folder
from nightloom.settings.targets import Targets

EXAMPLE = demo_folder().parent / "example"


@pytest.fixture(scope="module")
def demo() -> Settings:
    return read_settings(demo_folder())


def test_the_example_is_valid_and_holds_the_defaults_of_every_policy() -> None:
    assert read_settings(EXAMPLE).policies == Policies()


def test_the_demo_is_found_from_any_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert (demo_folder() / "targets.toml").is_file()


def test_an_empty_policies_file_is_enough(tmp_path: Path) -> None:
    for file in ("observatory.toml", "targets.toml"):
        (tmp_path / file).write_text((demo_folder() / file).read_text())
    (tmp_path / "policies.toml").write_text("")
    settings = read_settings(tmp_path)
    assert settings.policies == Policies()
    assert settings.rig is None


@pytest.mark.parametrize(
    ("file", "model"),
    [("observatory.toml", Observatory), ("targets.toml", Targets), ("policies.toml", Policies)],
)
def test_the_example_shows_every_key(file: str, model: type[BaseModel]) -> None:
    """Also in a comment, for keys that are better left out at first."""
    text = (EXAMPLE / file).read_text()
    for key in all_keys(model):
        assert re.search(rf"[\n\[. ]{key}( = |\]|\.)", text), key


def all_keys(model: type[BaseModel]) -> set[str]:
    keys = set()
    for name, field in model.model_fields.items():
        key = str(field.validation_alias or name)
        keys |= {"ra", "dec"} if key in ("ra_deg", "dec_deg") else {key}
        inner = model_at(model, (key,)) or model_at(model, (key, "any"))
        keys |= all_keys(inner) if inner else set()
    return keys


def test_every_key_of_every_file_is_described() -> None:
    def check(model: type[BaseModel]) -> None:
        for name, field in model.model_fields.items():
            key = str(field.validation_alias or name)
            found = field_at(model, (key,))
            assert found is not None
            assert found.description, f"{model.__name__}.{key}"
            inner = model_at(model, (key,)) or model_at(model, (key, "any"))
            if inner:
                check(inner)

    for model in (Observatory, Targets, Policies):
        check(model)


def test_coordinates_as_text_and_in_degrees_agree() -> None:
    """M42 and M31 as the example writes them, against astropy's own reading of the same place."""
    m42, m31, *_ = read_settings(EXAMPLE).targets.targets
    orion = SkyCoord("05 35 17", "-05 23 28", unit=(u.hourangle, u.deg))
    assert (m42.ra_deg, m42.dec_deg) == pytest.approx((orion.ra.deg, orion.dec.deg))
    assert (m31.ra_deg, m31.dec_deg) == (10.6847, 41.2688)


def test_the_demo_rig_is_the_one_its_observatory_describes(demo: Settings) -> None:
    rig, observatory = demo.rig, demo.observatory
    assert rig is not None
    assert rig.site.latitude_deg == observatory.site.latitude_deg
    assert rig.site.longitude_deg == observatory.site.longitude_deg
    assert rig.optics.focal_length_mm == observatory.optics.focal_length_mm
    assert rig.optics.aperture_mm == observatory.optics.aperture_mm
    assert rig.sensor.pixel_um == observatory.camera.pixel_um
    assert rig.guide.optics.focal_length_mm == observatory.guide_camera.focal_length_mm
    assert rig.guide.sensor.pixel_um == observatory.guide_camera.pixel_um
    assert rig.focuser.step_um == observatory.focuser.step_um
    assert rig.focuser.range_steps >= observatory.focuser.maximum_steps
    assert tuple(filter.name for filter in rig.wheel.filters) == observatory.wheel.slots


def test_the_demo_focus_offsets_are_right_to_a_tenth_of_the_critical_focus_zone(
    demo: Settings,
) -> None:
    """Critical focus zone 4.88 λ N²: 33 steps here at 550 nm.

    Within it the cone of light is no wider than the Airy disk of 2.44 λ N: 2 × N × 2.44 λ N.
    """
    assert demo.rig is not None
    observatory = demo.observatory
    zone_steps = 4.88 * 0.55 * observatory.optics.focal_ratio**2 / observatory.focuser.step_um
    assert zone_steps == pytest.approx(33, abs=1)
    for true in demo.rig.wheel.filters:
        believed = observatory.filters[true.name].offset_steps
        assert abs(believed - true.focus_offset_steps) <= zone_steps / 10


def test_the_main_demo_target_is_high_through_a_long_november_night(demo: Settings) -> None:
    """By astropy: at least 8 dark hours, and the main target over its floor for 8 of them."""
    site = demo.observatory.site
    place = EarthLocation.from_geodetic(
        site.longitude_deg * u.deg, site.latitude_deg * u.deg, site.elevation_m * u.m
    )
    times = Time("2026-11-14T12:00:00") + np.linspace(0, 24, 289) * u.hour
    sky = AltAz(obstime=times, location=place)
    main = min(demo.targets.targets, key=lambda target: target.priority)
    offline = iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None)
    with offline[0], offline[1]:
        sun_deg = get_sun(times).transform_to(sky).alt.deg
        star_deg = SkyCoord(main.ra_deg, main.dec_deg, unit="deg").transform_to(sky).alt.deg
    dark = sun_deg < demo.policies.dark.sun_altitude_deg
    up = star_deg > main.altitude_floor_deg
    five_minutes_h = 24 / 288
    assert np.count_nonzero(dark) * five_minutes_h > 8
    assert np.count_nonzero(dark & up) * five_minutes_h > 8


def test_the_example_opens_with_the_cautions() -> None:
    head = (EXAMPLE / "observatory.toml").read_text().split("\nname =")[0].lower()
    for caution in ("sun", "unattended", "hardware", "cut the power", "mains", "makers"):
        assert caution in head


def test_the_users_folder_comes_from_the_environment_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("NIGHTLOOM_CONFIG", raising=False)
    assert default_folder() == tmp_path / ".config" / "nightloom"
    monkeypatch.setenv("NIGHTLOOM_CONFIG", str(tmp_path / "mine"))
    assert default_folder() == tmp_path / "mine"


def test_the_example_has_no_unknown_tables() -> None:
    """Guards the commented lines too: uncommented, they must still be valid."""
    text = (EXAMPLE / "policies.toml").read_text().replace("\n# ", "\n")
    lines = [line for line in text.splitlines() if "=" in line or line.startswith("[")]
    table: dict[str, Any] = tomllib.loads("\n".join(lines))
    Policies.model_validate_json(json.dumps(table))
