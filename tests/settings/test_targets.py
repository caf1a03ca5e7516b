"""Targets: coordinates of any equinox, and filters in one group or several."""

from typing import Any

import erfa
import numpy as np
import pytest

from nightloom.settings import Target, demo_folder, read_settings
from nightloom.settings.coordinates import of_j2000
from nightloom.sky import separation_deg

SUB = {"R": {"exposure_s": 60.0}}


def target(**said: Any) -> Target:
    return Target.model_validate({"name": "one", "ra_deg": 10.0, "dec_deg": 20.0} | said)


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg"), [(40.19, 49.02), (200.0, -70.0), (83.0, -5.0), (10.0, 85.0)]
)
def test_a_place_of_b1950(ra_deg: float, dec_deg: float) -> None:
    """As ERFA's fk45z turns it (after Aoki et al. 1983, A&A 128, 263); here astropy's own does."""
    ra, dec = np.degrees(erfa.fk45z(*np.radians([ra_deg, dec_deg]), 1950.0))
    read = of_j2000(ra_deg, dec_deg, "B1950")
    assert float(separation_deg(*read, ra, dec)) * 3600 < 0.1


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
    assert (group.sky, group.maximum_moonlight_ratio) == (("dark", "moonlit", "twilit"), 4.0)
    assert group.label == "R"


def test_groups_take_the_targets_limit_to_moonlight_or_their_own() -> None:
    read = target(
        maximum_moonlight_ratio=4.0,
        group=(
            {"sky": ["dark"], "filter": SUB},
            {"sky": ["moonlit"], "maximum_moonlight_ratio": 1.5,
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


def test_a_filter_may_be_in_several_groups_that_fill_one_tally() -> None:
    hours = {"exposure_s": 300.0, "wanted_hours": 2.0}
    both = target(
        group=(
            {"sky": ["dark"], "filter": {**SUB, "Ha": {**hours, "share": 2}}},
            {"sky": ["moonlit"], "filter": {"Ha": hours}},
        )
    )
    dark, moonlit = both.groups
    assert (dark.filters["Ha"].share, moonlit.filters["Ha"].share) == (2, 1)
    assert list(dark.lacking({"Ha": 7200.0})) == ["R"]
    assert moonlit.lacking({"Ha": 7200.0}) == {}
    for other in ({"exposure_s": 60.0, "wanted_hours": 2.0}, {"exposure_s": 300.0}):
        with pytest.raises(ValueError, match="give Ha the same exposure_s and hours"):
            target(group=({"filter": {"Ha": hours}}, {"filter": {"Ha": other}}))


def test_a_twilit_sky_says_how_bright_it_may_be() -> None:
    with pytest.raises(ValueError, match="say with sun_altitude_deg"):
        target(group=({"sky": ["twilit"], "filter": SUB},))


@pytest.mark.parametrize("name", ["demo", "example"])
def test_every_shipped_target_has_a_group(name: str) -> None:
    targets = read_settings(demo_folder().parent / name).targets.targets
    assert all(group.filters for one in targets for group in one.groups)


def test_what_a_target_counts_is_seconds_unless_it_is_depth() -> None:
    assert target(filter=SUB).count == "seconds"
    assert target(filter=SUB, count="depth").count == "depth"
    with pytest.raises(ValueError, match="'seconds' or 'depth'"):
        target(filter=SUB, count="frames")
