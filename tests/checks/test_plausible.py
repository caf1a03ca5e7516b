"""What is allowed and cannot be, or hardly can, is said before the first night."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import ephem
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.checks.disk import absent_disk, mount_points
from nightloom.checks.plausible import dusk, highest_deg, impossible, unlikely
from nightloom.settings import Settings, demo_folder, read_settings
from nightloom.sky import Site

EVENING_S = datetime(2026, 11, 14, 15, tzinfo=UTC).timestamp()

Change = Callable[[Settings], Settings]


def with_section(section: str, **changes: Any) -> Change:
    """The demo with some keys of one section of observatory.toml changed."""

    def change(settings: Settings) -> Settings:
        said = getattr(settings.observatory, section).model_copy(update=changes)
        observatory = settings.observatory.model_copy(update={section: said})
        return replace(settings, observatory=observatory)

    return change


def with_dec(dec_deg: float) -> Change:
    """The demo's first target at another declination."""

    def change(settings: Settings) -> Settings:
        first, *others = settings.targets.targets
        moved = first.model_copy(update={"dec_deg": dec_deg})
        targets = settings.targets.model_copy(update={"targets": (moved, *others)})
        return replace(settings, targets=targets)

    return change


def told(change: Change = lambda same: same) -> list[str]:
    """What is unlikely of the demo, changed; without the site's echo, which always comes first."""
    place, *others = unlikely(change(read_settings(demo_folder())), EVENING_S)
    assert place.startswith("The site is ")
    return others


def test_the_demo_is_plausible() -> None:
    assert told() == []
    assert impossible(read_settings(demo_folder())) == []


def test_the_place_and_its_dusk_are_told_for_a_person_to_agree_with() -> None:
    """Dusk and dawn by PyEphem, a second library: the Sun's centre at -18 degrees."""
    place, *_ = unlikely(read_settings(demo_folder()), EVENING_S)
    sky = ephem.Observer()
    sky.lat, sky.lon, sky.elevation, sky.pressure, sky.horizon = "47.1", "9.6", 820, 0, "-18"
    sky.date = ephem.Date("2026/11/14 12:00")
    begins = sky.next_setting(ephem.Sun(), use_center=True).datetime()
    ends = sky.next_rising(ephem.Sun(), use_center=True).datetime()
    hours = [f"{(one.hour + 1) % 24:02}:{one.minute:02}" for one in (begins, ends)]  # winter time
    assert place == (
        "The site is 47.1° north, 9.6° east, 820 m above the sea; it is dark tonight from"
        f" {hours[0]} to {hours[1]} Europe/Zurich."
    )


def test_a_night_that_never_gets_dark_is_told() -> None:
    midsummer_s = datetime(2026, 6, 21, 15, tzinfo=UTC).timestamp()
    assert dusk(Site(65.0, 20.0, 0.0), -18.0, midsummer_s, None) == "it does not get dark tonight"


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "zone"),
    [
        (9.6, 47.1, "Europe/Zurich"),
        (-70.0, -33.0, "Australia/Sydney"),
        (33.0, 110.0, "America/Phoenix"),
    ],
)
def test_a_place_that_its_zone_contradicts_is_told(
    latitude_deg: float, longitude_deg: float, zone: str
) -> None:
    (sentence,) = [
        one
        for one in told(
            with_section(
                "site", latitude_deg=latitude_deg, longitude_deg=longitude_deg, time_zone=zone
            )
        )
        if "changed places" in one
    ]
    assert sentence.startswith(f"By the clocks of {zone} the Sun is highest there at ")


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "zone"),
    [
        (43.8, 87.6, "Asia/Shanghai"),  # far west in a wide zone
        (42.9, -8.5, "Europe/Madrid"),
        (-32.9, -68.8, "America/Argentina/Mendoza"),
        (64.1, -21.9, "Atlantic/Reykjavik"),
        (-21.2, 184.8, "Pacific/Tongatapu"),
        (66.1, 169.8 + 20.4, "America/Nome"),
        (53.3, -6.3, "Europe/Dublin"),
    ],
)
def test_the_widest_zones_on_land_are_no_contradiction(
    latitude_deg: float, longitude_deg: float, zone: str
) -> None:
    place = with_section(
        "site", latitude_deg=latitude_deg, longitude_deg=longitude_deg, time_zone=zone
    )
    assert not [one for one in told(place) if "By the clocks" in one]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (with_section("optics", focal_length_mm=70.0), "The telescope is f/0.66, which is unusual"),
        (with_section("optics", focal_length_mm=5300.0), "The telescope is f/50, which is unusual"),
        (with_section("camera", pixel_um=80.0, binning=8), "A pixel of [camera] sees 249″"),
        (
            with_section("guide_camera", focal_length_mm=12.0),
            "A pixel of [guide_camera] sees 82.5″",
        ),
        (with_dec(-15.0), "NGC 891 is never taken: it rises to 28° at the most, and its floor is"),
    ],
)
def test_what_is_seldom_so_is_told(change: Change, said: str) -> None:
    (sentence,) = told(change)
    assert sentence.startswith(said)


def test_a_filter_that_sounds_blind_is_asked_about() -> None:
    def change(settings: Settings) -> Settings:
        filters = settings.observatory.filters
        observatory = settings.observatory.model_copy(
            update={"filters": {**filters, "Dark": filters["L"]}}
        )
        return replace(settings, observatory=observatory)

    (sentence,) = told(change)
    assert sentence == (
        "The filter Dark is taken to let light through: write blind = true into [filter.Dark] if"
        " it does not."
    )


def test_a_target_that_never_rises_cannot_be() -> None:
    (problem,) = impossible(with_dec(-60.0)(read_settings(demo_folder())))
    assert str(problem) == (
        'targets.toml: target["NGC 891"].dec = -60.0 never rises at latitude 47.1°; look at its'
        " declination and at site.latitude_deg in observatory.toml, or take the target out."
    )


@given(latitude_deg=st.floats(-89, 89), dec_deg=st.floats(-89, 89))
def test_what_never_rises_is_what_a_second_library_says(
    latitude_deg: float, dec_deg: float
) -> None:
    """PyEphem, without refraction and precession to speak of, but for a tenth of a degree."""
    star = ephem.FixedBody()
    star._ra, star._dec, star._epoch = 0, ephem.degrees(str(dec_deg)), "2026/11/14"
    sky = ephem.Observer()
    sky.lat, sky.lon, sky.pressure = str(latitude_deg), "0", 0
    sky.date = "2026/11/14"
    sky.date = sky.next_transit(star)
    star.compute(sky)
    assert highest_deg(latitude_deg, dec_deg) == pytest.approx(float(star.alt) * 57.29578, abs=0.1)


def test_a_disk_that_is_not_mounted_is_absent(tmp_path: Path) -> None:
    fstab = tmp_path / "fstab"
    fstab.write_text(
        "# a comment /media/none\nUUID=1 / ext4 defaults 0 1\n/dev/sdb1 /srv/frames ext4 noauto\n"
        "none swap swap sw\n\n"
    )
    points = mount_points(fstab)
    assert points == [Path("/"), Path("/srv/frames")]
    assert absent_disk(Path("/srv/frames/deep"), points) == Path("/srv/frames")
    assert absent_disk(Path("/home/somebody"), points) is None
    assert absent_disk(Path("/media/nobody-has-this/x"), []) == Path("/media/nobody-has-this")
    assert mount_points(tmp_path / "none") == []
