"""Plate solving from lists of stars: fields of every size, bright stars missing, chance refused."""

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from nightloom.solving import Hint, NotSolved
from nightloom.solving.catalogue_solver import solve_stars

Array = NDArray[np.float64]

SHARP_PX = 0.2
"""Scatter of a centroid: common practice, no source."""


@dataclass(frozen=True)
class Sky:
    """A frame of invented stars: its width is `field_deg`, and `dense` are in the frame.

    Brightness follows the number alone, so that lists are in a random order over the sky.
    """

    field_deg: float
    dense: int
    ra_deg: float = 200.0
    dec_deg: float = 42.0
    shape: tuple[int, int] = (4176, 6248)
    rotation_deg: float = 77.0
    saturated: int = 0
    """The brightest in the frame that are not among its measured stars."""
    shown: float = 0.8
    """Part of the catalogue's stars in the frame that are measured there."""
    catalogued: float = 1.0
    """Part of the sky's stars, the brightest, that the catalogue has."""
    seed: int = 1

    @property
    def scale_arcsec(self) -> float:
        return 3600 * self.field_deg / self.shape[1]

    def wcs(self) -> WCS:
        plane = WCS(naxis=2)
        plane.wcs.ctype = ["RA---TAN", "DEC--TAN"]
        plane.wcs.crval = [self.ra_deg, self.dec_deg]
        plane.wcs.crpix = [self.shape[1] / 2 + 0.5, self.shape[0] / 2 + 0.5]
        plane.wcs.cdelt = [-self.scale_arcsec / 3600, self.scale_arcsec / 3600]
        plane.wcs.crota = [0.0, -self.rotation_deg]
        return plane

    def lists(self) -> tuple[Array, Array]:
        """Measured stars as (x, y), and the catalogue's places; brightest first."""
        chance = np.random.default_rng(self.seed)
        size = np.array(self.shape[::-1])
        around = 1.6 * np.hypot(*size)
        count = round(self.dense * (2 * around) ** 2 / np.prod(size))
        flat = chance.uniform(-around, around, (count, 2)) + size / 2
        places = self.wcs().wcs_pix2world(flat, 0)
        inside = np.flatnonzero(np.all((flat > 0) & (flat < size), axis=1))[self.saturated :]
        inside = inside[chance.random(len(inside)) < self.shown]
        # A star's brightness is another in another colour: neighbours in the list change places.
        order = np.argsort(np.log1p(inside) + chance.normal(0, 0.3, len(inside)))
        stars = flat[inside[order]] + chance.normal(0, SHARP_PX, (len(inside), 2))
        return stars, places[: round(self.catalogued * count)]

    def hint(self, off_deg: float = 0.0, scale: float = 1.02, mirrored: bool | None = None) -> Hint:
        return Hint(
            self.ra_deg,
            self.dec_deg + off_deg,
            radius_deg=self.field_deg,
            scale_arcsec_per_px=scale * self.scale_arcsec,
            mirrored=mirrored,
        )

    def off_px(self, hint: Hint) -> float:
        """How far a solution's corners are from the truth. Raises NotSolved."""
        solution = solve_stars(self.lists()[0], self.shape, hint, self.lists()[1])
        rows, columns = self.shape
        corners = np.array([[0, 0], [columns, 0], [0, rows], [columns, rows]], dtype=float)
        ours = SkyCoord(solution.wcs.wcs_pix2world(corners, 0), unit="deg")
        truth = SkyCoord(self.wcs().wcs_pix2world(corners, 0), unit="deg")
        return float(ours.separation(truth).arcsec.max()) / self.scale_arcsec


@settings(max_examples=25)
@given(
    st.builds(
        Sky,
        field_deg=st.floats(0.2, 5.0),
        dense=st.sampled_from([25, 150, 1500, 12_000]),
        ra_deg=st.floats(0, 359.9),
        dec_deg=st.floats(-85, 85),
        shape=st.sampled_from([(4176, 6248), (6388, 9576), (960, 1280)]),
        rotation_deg=st.floats(0, 360),
        shown=st.floats(0.6, 1.0),
        seed=st.integers(0, 1000),
    ),
    st.floats(0.0, 0.5),
)
def test_every_field_is_found(sky: Sky, off: float) -> None:
    """From 1 to 62 megapixels, 0.2° to 5° wide, with 15 to 12,000 stars, half a field off."""
    assert sky.off_px(sky.hint(off * sky.field_deg)) < 1.0


@pytest.mark.parametrize("saturated", [5, 40, 300])
def test_bright_stars_may_be_missing_from_the_frame(saturated: int) -> None:
    sky = Sky(2.5, 12_000, saturated=saturated)
    assert sky.off_px(sky.hint(0.3)) < 0.5


def test_a_frame_may_show_far_more_stars_than_the_catalogue_has() -> None:
    """Tycho-2 is complete to magnitude 11 (Høg et al. 2000, A&A 355, L27), a minute's frame shows
    the 16th. Of 600 stars 15 are in the catalogue, and a fifth of these not in the frame.
    """
    solved = 0
    for seed in range(20):
        sky = Sky(0.52, 600, shape=(960, 1280), catalogued=0.025, seed=seed)
        with suppress(NotSolved):
            assert sky.off_px(sky.hint(0.2)) < 1.0
            solved += 1
    assert solved >= 19


def test_more_than_enough_stars_cost_nothing() -> None:
    """A frame of the Milky Way with fifty thousand measured stars."""
    sky = Sky(2.5, 62_000, shown=0.8)
    assert len(sky.lists()[0]) > 49_000
    assert sky.off_px(sky.hint(0.5)) < 0.5


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_sense_that_was_said_is_kept_to(mirrored: bool) -> None:
    sky = Sky(1.0, 300)
    if mirrored:
        with pytest.raises(NotSolved):
            sky.off_px(sky.hint(mirrored=mirrored))
    else:
        assert sky.off_px(sky.hint(mirrored=mirrored)) < 0.5


def test_another_scale_is_refused() -> None:
    """By a tenth: the stars fit, the telescope does not."""
    sky = Sky(1.0, 300)
    with pytest.raises(NotSolved):
        sky.off_px(sky.hint(scale=1.1))


@pytest.mark.parametrize("seed", range(4))
def test_stars_of_nowhere_are_refused(seed: int) -> None:
    """The odds asked for are a thousand million to one, however many stars there are."""
    ours, theirs = Sky(1.0, 400, seed=seed), Sky(1.0, 400, seed=seed + 100)
    with pytest.raises(NotSolved, match="at best"):
        solve_stars(ours.lists()[0], ours.shape, ours.hint(), theirs.lists()[1])


@pytest.mark.parametrize("common", [3, 4])
def test_a_near_miss_is_refused(common: int) -> None:
    """Three or four stars on their places, where five are asked for, say nothing."""
    sky = Sky(1.0, 30, shown=1.0)
    stars, places = sky.lists()
    chance = np.random.default_rng(5)
    strangers = chance.uniform(0, sky.shape[::-1], (3, 2))
    with pytest.raises(NotSolved):
        solve_stars(np.vstack([stars[:common], strangers]), sky.shape, sky.hint(), places)
