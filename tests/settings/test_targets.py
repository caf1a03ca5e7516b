"""Targets: coordinates of any equinox, and filters in one group or several."""

from typing import Any

import pytest

from nightloom.settings import Target, demo_folder, read_settings
from nightloom.settings.coordinates import of_j2000
from nightloom.sky import separation_deg

SUB = {"R": {"exposure_s": 60.0}}


def target(**said: Any) -> Target:
    return Target.model_validate({"name": "one", "ra_deg": 10.0, "dec_deg": 20.0} | said)


def test_a_place_of_b1950() -> None:
    """θ Persei: 2h40m46.276s +49°01′06.54″ in B1950 and 2h44m11.986s +49°13′42.48″ in J2000.

    From memory; the proper motion of 50 years, 0.03425 s and −0.0895″ each (Meeus, Astronomical
    Algorithms, ex. 21.b), is taken off the latter.
    """
    ra_deg = 15 * (2 + 44 / 60 + (11.986 - 50 * 0.03425) / 3600)
    dec_deg = 49 + 13 / 60 + (42.48 + 50 * 0.0895) / 3600
    read = of_j2000(15 * (2 + 40 / 60 + 46.276 / 3600), 49 + 1 / 60 + 6.54 / 3600, "B1950")
    assert float(separation_deg(*read, ra_deg, dec_deg)) * 3600 < 1.0


def test_a_place_of_a_julian_equinox() -> None:
    """41.054063°, 49.227750° in J2000 are 41.547214°, 49.348483° at 2028.867 (Meeus, ex. 21.b)."""
    read = of_j2000(41.547214, 49.348483, "J2028.86705")
    assert float(separation_deg(*read, 41.054063, 49.227750)) * 3600 < 0.1


def test_coordinates_of_another_equinox_are_read_as_j2000() -> None:
    read = target(ra_deg=41.547214, dec_deg=49.348483, equinox="J2028.86705", filter=SUB)
    assert read.equinox == "J2000"
    assert (read.ra_deg, read.dec_deg) == of_j2000(41.547214, 49.348483, "J2028.86705")


def test_the_simple_form_is_one_group() -> None:
    (group,) = target(filter=SUB, maximum_moonlight_ratio=4.0).groups
    assert list(group.filters) == ["R"]
    assert (group.moon, group.maximum_moonlight_ratio) == ("any", 4.0)
    assert group.label == "R"


def test_groups_take_the_targets_limit_to_moonlight_or_their_own() -> None:
    read = target(
        maximum_moonlight_ratio=4.0,
        group=(
            {"moon": "down", "filter": SUB},
            {"moon": "up", "maximum_moonlight_ratio": 1.5,
             "filter": {"Ha": {"exposure_s": 300.0}, "OIII": {"exposure_s": 300.0}}},
        ),
    )  # fmt: skip
    down, up = read.groups
    assert (down.maximum_moonlight_ratio, up.maximum_moonlight_ratio) == (4.0, 1.5)
    assert list(read.subs) == ["R", "Ha", "OIII"]
    assert up.label == "Ha OIII"


def test_a_filter_lacks_until_its_wanted_hours_are_there() -> None:
    (group,) = target(filter={"L": {"exposure_s": 60.0, "wanted_hours": 1.0}, **SUB}).groups
    assert list(group.lacking({"L": 3599.0, "R": 1e6})) == ["L", "R"]
    assert list(group.lacking({"L": 3600.0})) == ["R"]


@pytest.mark.parametrize("name", ["demo", "example"])
def test_every_shipped_target_has_a_group(name: str) -> None:
    targets = read_settings(demo_folder().parent / name).targets.targets
    assert all(group.filters for one in targets for group in one.groups)
