import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightloom_drivers.catalogue import Catalogue, Stars, separation_deg
from nightloom_drivers.physics.starfield import (
    DeepenedField,
    SeededField,
    stars_per_deg2,
)


def rows(stars: Stars) -> set[tuple[float, float, float]]:
    return set(zip(*(a.tolist() for a in stars), strict=True))


@settings(max_examples=30)
@given(
    ra=st.floats(0, 360),
    dec=st.floats(-90, 90),
    bearing=st.floats(0, 2 * np.pi),
    away=st.floats(0, 0.6),
)
def test_a_place_has_the_same_stars_whatever_cone_is_asked(
    ra: float, dec: float, bearing: float, away: float
) -> None:
    """The stars common to two overlapping cones are the same, poles and 0 h included."""
    sky = SeededField(limit_mag=13.0)
    dec2 = float(np.clip(dec + away * np.cos(bearing), -90, 90))
    ra2 = (ra + away * np.sin(bearing) / max(np.cos(np.radians(dec2)), 0.05)) % 360
    first, second = sky.cone(ra, dec, 0.7), sky.cone(ra2, dec2, 0.9)
    in_first = separation_deg(ra, dec, second.ra_deg, second.dec_deg) <= 0.7
    in_second = separation_deg(ra2, dec2, first.ra_deg, first.dec_deg) <= 0.9
    assert rows(Stars(*(a[in_first] for a in second))) == rows(
        Stars(*(a[in_second] for a in first))
    )


def test_stars_come_brightest_first_and_within_the_limits() -> None:
    stars = SeededField().cone(30, 50, 1.0, limit_mag=15)
    assert np.all(np.diff(stars.mag) >= 0)
    assert stars.mag[-1] <= 15
    assert np.all(separation_deg(30, 50, stars.ra_deg, stars.dec_deg) <= 1.0)
    assert np.all((stars.ra_deg >= 0) & (stars.ra_deg < 360))


def test_a_cone_holds_as_many_stars_as_the_counts_say() -> None:
    """Around the galactic pole, 3° wide."""
    stars = SeededField().cone(192.86, 27.13, 3.0, limit_mag=16)
    expected = stars_per_deg2(16, 1.0) * np.pi * 9
    assert len(stars.mag) == pytest.approx(expected, rel=0.06)


@pytest.mark.parametrize(
    ("mag", "whole_sky"), [(6.5, 9.0e3), (11.5, 2.3e6), (16, 8.0e7), (18, 3.3e8)]
)
def test_counts_agree_with_whole_sky_catalogues(mag: float, whole_sky: float) -> None:
    """Within a factor of 1.6 of the totals of well-known catalogues.

    9,000 to the naked eye's 6.5 (Bright Star Catalogue, Hoffleit & Jaschek); Tycho-2 2.5 million to
    about 11.5 (Høg et al. 2000, A&A 355, L27); Gaia 80 and 330 million (these two from memory).
    """
    sines = (np.arange(200) + 0.5) / 200
    mean = np.mean([stars_per_deg2(mag, float(s)) for s in sines])
    assert 1 / 1.6 < mean * 41253 / whole_sky < 1.6


def test_a_catalogue_is_deepened_only_below_its_limit() -> None:
    one = Catalogue.of(np.array([30.0]), np.array([50.0]), np.array([5.0]))
    stars = DeepenedField(one, SeededField(14.0)).cone(30, 50, 0.5)
    assert stars.mag[0] == 5.0
    assert len(stars.mag) > 10
    assert np.all(stars.mag[1:] > 11.5)
