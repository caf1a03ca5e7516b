"""Large frames, of which only tiles are looked at."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from frames.rendering import draw, exposed, place
from nightloom.frames.stars import measure
from nightloom.frames.tiles import spread

SATURATION_ADU = 64000.0
SHAPE = (1500, 2100)


def field(shift_px: float = 0.0, stars: int = 900) -> NDArray[np.uint16]:
    """A field of stars, moved by a dither; its noise is another each time."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(20, SHAPE[1] - 20, stars), rng.uniform(20, SHAPE[0] - 20, stars)
    image = np.full(SHAPE, 400.0)
    place(image, x + shift_px, y - shift_px, 10 ** rng.uniform(4, 5.5, stars), fwhm_px=3.0)
    return exposed(image, seed=int(shift_px) + 1)


def test_a_sample_stands_for_the_frame() -> None:
    """Half-flux radius to 1 %, FWHM and noise too, and the count within twice its stated error."""
    frame = field()
    whole = measure(frame, saturation_adu=SATURATION_ADU)
    sample = measure(frame, saturation_adu=SATURATION_ADU, sample_px=1_000_000)
    assert whole.sampled_fraction == 1
    assert sample.sampled_fraction == pytest.approx(0.32, abs=0.01)
    assert sample.half_flux_radius_px == pytest.approx(whole.half_flux_radius_px, rel=0.01)
    assert sample.fwhm_px == pytest.approx(whole.fwhm_px, rel=0.02)
    assert sample.noise_adu == pytest.approx(whole.noise_adu, rel=0.01)
    assert sample.background_adu == pytest.approx(whole.background_adu, rel=0.01)
    error = (sample.count * (1 / sample.sampled_fraction - 1)) ** 0.5
    assert abs(sample.count - whole.count) < 2 * error
    assert (
        np.abs(sample.zones["half_flux_radius_px"] / whole.zones["half_flux_radius_px"] - 1).max()
        < 0.03
    )


def test_the_count_hardly_changes_from_dither_to_dither() -> None:
    """The same tiles see nearly the same stars: to 3 %, where chance alone would make 5 %."""
    counts = [
        measure(field(shift), saturation_adu=SATURATION_ADU, sample_px=1_000_000).count
        for shift in (0.0, 3.0, 6.0, 9.0)
    ]
    assert np.std(counts) / np.mean(counts) < 0.03


def test_a_sample_with_few_stars_makes_the_whole_be_looked_at() -> None:
    frame = field(stars=30)
    sample = measure(frame, saturation_adu=SATURATION_ADU, sample_px=1_000_000)
    assert sample.sampled_fraction == 1
    assert sample.count == measure(frame, saturation_adu=SATURATION_ADU).count


def test_stars_across_the_edges_of_tiles_are_not_measured_there() -> None:
    """Every star that is measured was drawn: none is a wing of one beyond a tile."""
    x, y = np.meshgrid(np.arange(25.0, 2100, 50), np.arange(25.0, 1500, 50))
    frame = draw(x.ravel(), y.ravel(), np.full(x.size, 2e4), fwhm_px=4.0, shape=SHAPE)
    stars = measure(frame, saturation_adu=SATURATION_ADU, sample_px=1_000_000).stars
    kept = stars[~stars["cut"]]
    assert len(kept) > 300
    assert np.abs((kept["x"] - 25 + 25) % 50 - 25).max() < 0.2
    assert np.abs((kept["y"] - 25 + 25) % 50 - 25).max() < 0.2


@example(30, 334, 10_000)
@given(st.integers(30, 9000), st.integers(30, 9000), st.integers(10_000, 10**8))
def test_tiles_lie_in_the_frame_and_apart(rows: int, columns: int, pixels_max: int) -> None:
    tiles = spread((rows, columns), pixels_max)
    assert all(0 <= tile.top < tile.bottom <= rows for tile in tiles)
    assert all(0 <= tile.left < tile.right <= columns for tile in tiles)
    for one, other in pairwise(tiles):
        assert one.right <= other.left or one.bottom <= other.top
    seen = sum(tile.pixels for tile in tiles)
    assert seen <= max(1.5 * pixels_max, 36) or seen <= 36 * 4
