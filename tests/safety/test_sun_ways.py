"""Ways past the Sun that a mount may take, beside the straight one; the Sun's place is astropy's.

Never try this with a real mount: a telescope without a filter that comes near the Sun destroys eyes
and equipment in an instant.
"""

import pytest
from astropy.coordinates import get_sun
from astropy.time import Time

from night.nights import demo
from nightloom.safety import limits

JUNE_NOON = Time("2026-06-21T11:20:00")
SUN = get_sun(JUNE_NOON)
DISTANCE_DEG = 30.0

Off = tuple[float, float]


def refused(here: Off, there: Off, *, turns_over: bool) -> bool:
    """Whether the way between two places, by their distance from the Sun in RA and dec, is."""
    (east, north), (east_there, north_there) = here, there
    from_ = ((SUN.ra.deg + east) % 360.0 / 15.0, SUN.dec.deg + north)
    to = ((SUN.ra.deg + east_there) % 360.0, SUN.dec.deg + north_there)
    site = demo()[0].observatory.site.place
    told = limits.sun(site, from_, to, JUNE_NOON.unix, DISTANCE_DEG, turns_over=turns_over)
    return "from the Sun" in told


@pytest.mark.parametrize(
    ("here", "there"), [((55.0, 0.0), (0.0, 55.0)), ((-55.0, 0.0), (0.0, 55.0))]
)
def test_the_axes_may_arrive_one_after_the_other(here: Off, there: Off) -> None:
    """The straight way keeps 35° away, and a mount whose declination is slower sees the Sun."""
    assert refused(here, there, turns_over=False)
    assert refused(there, here, turns_over=False)


@pytest.mark.parametrize("east", [45.0, -45.0])
def test_a_mount_that_changes_sides_goes_over_the_pole(east: float) -> None:
    """South of the Sun from one side to the other: the way between leads over the pole, and so
    past the Sun, which stands between pole and target.
    """
    here, there = (east, -33.0), (-east, -33.0)
    assert not refused(here, there, turns_over=False)
    assert refused(here, there, turns_over=True)


def test_near_the_pole_it_may_change_sides() -> None:
    assert not refused((45.0, 40.0), (-45.0, 50.0), turns_over=True)
