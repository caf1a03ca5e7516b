"""Frames combined, against astropy's clipping and numpy's means, on skies made up for it."""

from collections.abc import Sequence

import numpy as np
import pytest
from astropy.stats import sigma_clip
from astropy.wcs import WCS
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from nightloom.report.colours import Channels, channels, coloured
from nightloom.report.combining import Layer, Mean, batches, between, gradient_of, layer
from nightloom.report.records import FilterFacts
from nightloom.small_picture import small, stretched

SHAPE = (60, 80)


def wcs_at(ra_deg: float, dec_deg: float, rotation_deg: float, shape: tuple[int, int]) -> WCS:
    """A tangential projection of 2″ a pixel about the middle of a frame."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [ra_deg, dec_deg]
    wcs.wcs.crpix = [(shape[1] + 1) / 2, (shape[0] + 1) / 2]
    turn = np.radians(rotation_deg)
    scale = 2.0 / 3600.0
    wcs.wcs.cd = scale * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return wcs


def combined(layers: Sequence[Layer], most: int = 40) -> NDArray[np.float32]:
    """All of them, in batches."""
    rows, columns = layers[0].picture.shape
    mean = Mean((rows, columns))
    for part in batches(len(layers), most):
        mean.add(layers[part])
    return mean.picture()


def layers_with_trails(chance: np.random.Generator, number: int) -> list[Layer]:
    """Noise of several strengths, a few pixels hit by something bright, corners not covered."""
    found = []
    for count in range(number):
        noise = float(chance.uniform(0.5, 2.0))
        picture = chance.normal(0.0, noise, SHAPE).astype(np.float32)
        picture[chance.integers(0, SHAPE[0]), :] += 80.0
        picture[: count % 5, : count % 7] = np.nan
        found.append(Layer(picture, noise))
    return found


@pytest.mark.parametrize("number", [1, 2, 3, 4, 9, 24])
def test_a_combination_is_astropys(number: int) -> None:
    """`sigma_clip` about the median by the median absolute deviation, `numpy.ma.average`."""
    layers = layers_with_trails(np.random.default_rng(number), number)
    stack = np.stack([one.picture for one in layers]).astype(np.float64)
    clipped = sigma_clip(
        np.ma.masked_invalid(stack),
        sigma=3.0, maxiters=3, cenfunc="median", stdfunc="mad_std", axis=0, masked=True,
    )  # fmt: skip
    weights = np.array([one.noise**-2.0 for one in layers])
    expected = np.ma.filled(np.ma.average(clipped, axis=0, weights=weights), np.nan)
    assert np.allclose(combined(layers), expected, atol=1e-4, equal_nan=True)


def test_batches_combine_as_all_at_once() -> None:
    """130 frames by forties: as deep as the best weights make them, and without their trails.

    Var = 1 / Σ σ⁻², as below; a few per cent of good values are clipped.
    """
    layers = layers_with_trails(np.random.default_rng(5), 130)
    several, whole = combined(layers), combined(layers, most=130)
    best = sum(one.noise**-2.0 for one in layers) ** -0.5
    inner = np.s_[4:, 6:]
    assert float(np.nanstd(several[inner])) < 1.1 * best
    assert float(np.nanmax(np.abs(several - whole))) < 3.0 * best
    assert float(np.nanmax(several)) < 6.0 * best


@given(count=st.integers(1, 2000), most=st.integers(2, 100))
def test_batches_are_even_and_hold_everything_once(count: int, most: int) -> None:
    things = list(range(count))
    parts = [things[part] for part in batches(count, most)]
    assert sorted(one for part in parts for one in part) == things
    sizes = [len(part) for part in parts]
    assert max(sizes) <= most
    assert max(sizes) - min(sizes) <= 1


def test_weights_make_the_noise_as_small_as_it_can_be() -> None:
    """Var = 1 / Σ σ⁻² for the best weights (Bevington & Robinson 2003, section 4.1); a plain mean
    has Σ σ² / n². Clipping takes some per cent of good values.
    """
    chance = np.random.default_rng(3)
    sigmas = [1.0, 1.0, 1.0, 6.0, 6.0, 6.0]
    shape = (200, 300)
    layers = [Layer(chance.normal(0.0, s, shape).astype(np.float32), s) for s in sigmas]
    best = sum(s**-2.0 for s in sigmas) ** -0.5
    plain = sum(s**2 for s in sigmas) ** 0.5 / len(sigmas)
    assert best <= float(np.std(combined(layers))) < 1.15 * best < 0.5 * plain


def test_a_trail_in_one_frame_is_gone() -> None:
    layers = layers_with_trails(np.random.default_rng(8), 12)
    plain = np.nanmean([one.picture for one in layers], axis=0)
    assert float(np.nanmax(plain)) > 4.0
    assert float(np.nanmax(combined(layers))) < 3.0


def stars_on(wcs: WCS, sky: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float32]:
    """A frame with a round star at each place of the sky."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    frame = np.full(shape, 1000.0)
    for x, y in wcs.wcs_world2pix(sky, 0):
        frame += 5000.0 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 3.0**2))
    return frame.astype(np.float32)


def peak_of(picture: NDArray[np.float32]) -> tuple[int, int]:
    row, column = np.unravel_index(int(np.nanargmax(picture)), picture.shape)
    return int(row), int(column)


@pytest.mark.parametrize("turned_deg", [0.0, 180.0, 37.0])
@pytest.mark.parametrize("step", [1, 3])
def test_frames_are_laid_on_each_other_over_dithers_and_the_meridian(
    turned_deg: float, step: int
) -> None:
    """Each star at its own place again to a fifth of a small pixel, by its centre of light."""
    shape = (180, 240)
    reference, other = (
        wcs_at(35.0, 42.0, 3.0, shape),
        wcs_at(35.004, 42.003, 3.0 + turned_deg, shape),
    )
    for dx, dy in ((0.0, 0.0), (0.02, 0.015), (-0.02, 0.012)):
        sky = np.array([[35.002 + dx, 42.001 + dy]])
        first, second = (
            small(stars_on(wcs, sky, shape), 240 // step) for wcs in (reference, other)
        )
        affine = between(reference, other, (first.shape[0], first.shape[1]), step)
        laid = layer(second, affine, (first.shape[0], first.shape[1]), 1.0).picture
        row, column = peak_of(first)
        window = np.s_[max(0, row - 12) : row + 13, max(0, column - 12) : column + 13]
        centres = []
        for picture in (first - np.median(first), laid):
            light = np.clip(np.nan_to_num(picture[window]), 0.0, None)
            rows, columns = np.mgrid[: light.shape[0], : light.shape[1]]
            centres.append(
                ((light * rows).sum() / light.sum(), (light * columns).sum() / light.sum())
            )
        assert centres[0] == pytest.approx(centres[1], abs=0.2)


def test_what_a_frame_does_not_reach_counts_nothing() -> None:
    shape = (60, 80)
    reference, far = wcs_at(35.0, 42.0, 0.0, shape), wcs_at(35.03, 42.0, 0.0, shape)
    affine = between(reference, far, shape, 1)
    moved = layer(np.ones(shape, np.float32), affine, shape, 1.0)
    assert 0.3 < float(np.isnan(moved.picture).mean()) < 0.7
    whole = Layer(np.full(shape, 5.0, np.float32), 1.0)
    assert np.all(np.isfinite(combined([whole, moved])))


def test_light_is_counted_for_a_second_of_clear_sky() -> None:
    """Half the exposure under half the light: a quarter of the counts is the same light."""
    shape = (40, 40)
    wcs = wcs_at(10.0, 20.0, 0.0, shape)
    star = stars_on(wcs, np.array([[10.0, 20.0]]), shape) - 1000.0
    affine = between(wcs, wcs, shape, 1)
    full = layer(500.0 + 4.0 * star, affine, shape, 120.0 * 1.0)
    dim = layer(900.0 + star, affine, shape, 60.0 * 0.5)
    assert float(np.nanmax(full.picture)) == pytest.approx(float(np.nanmax(dim.picture)), rel=0.01)


def test_a_gradient_is_that_of_the_sky_and_not_of_stars() -> None:
    rows, columns = np.mgrid[:400, :600]
    sky = 1000.0 + 30.0 * columns / 600 + 40.0 * rows / 400
    chance = np.random.default_rng(2)
    for _ in range(60):
        sky[chance.integers(0, 398), chance.integers(0, 598)] += 30000.0
    assert gradient_of(sky.astype(np.float32)) == pytest.approx(50.0 / 1035.0, rel=0.02)


def test_a_small_picture_is_made_of_means_by_strips() -> None:
    frame = np.arange(700 * 1300, dtype=np.uint16).reshape(700, 1300)
    made = small(frame, 300)
    assert made.shape == (140, 260)
    assert made == pytest.approx(frame.reshape(140, 5, 260, 5).mean(axis=(1, 3)))


# Colour -------------------------------------------------------------------------------------------


FILTERS = {
    one.name: one
    for one in (
        FilterFacts("L", 550.0, 300.0),
        FilterFacts("R", 640.0, 100.0),
        FilterFacts("G", 535.0, 90.0),
        FilterFacts("B", 455.0, 100.0),
        FilterFacts("Ha", 656.3, 6.0),
        FilterFacts("OIII", 500.7, 6.0),
        FilterFacts("SII", 672.4, 6.0),
        FilterFacts("unknown"),
    )
}


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ("L R G B", Channels("R", "G", "B", "L")),
        ("R G B", Channels("R", "G", "B")),
        ("Ha OIII SII", Channels("SII", "Ha", "OIII")),
        ("L R G B Ha", Channels("R", "G", "B", "L")),
        ("L R G", None),
        ("R G unknown", None),
    ],
)
def test_the_longer_the_wave_the_redder(names: str, expected: Channels | None) -> None:
    assert channels(names.split(), FILTERS) == expected


def test_a_red_star_is_red_and_a_white_one_white() -> None:
    chance = np.random.default_rng(4)
    pictures = {name: chance.normal(0.0, 1.0, (80, 80)).astype(np.float32) for name in "RGB"}
    for picture in pictures.values():
        for row, column in ((20, 20), (10, 50), (40, 30), (70, 20)):
            picture[row : row + 4, column : column + 4] += 300.0
    pictures["R"][60:64, 60:64] += 300.0
    shown = coloured(pictures, Channels("R", "G", "B"))
    white, red = shown[21, 21], shown[61, 61]
    assert white.min() > 0.9 * white.max()
    assert red[0] > 5.0 * red[1:].max()
    assert 0.0 <= float(shown.min()) <= float(shown.max()) <= 1.0


def test_a_stretch_keeps_order_and_bounds() -> None:
    chance = np.random.default_rng(1)
    picture = chance.normal(100.0, 3.0, (50, 50)).astype(np.float32)
    picture[10, 10], picture[20, 20] = 5000.0, np.nan
    shown = stretched(picture)
    assert shown[10, 10] == 1.0
    assert shown[20, 20] == 0.0
    order = np.argsort(picture, axis=None)[:-1]
    assert np.all(np.diff(shown.ravel()[order]) >= 0.0)
