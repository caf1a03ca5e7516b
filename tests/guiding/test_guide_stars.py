"""Guide star choice and multi-star measurement on frames with known truth."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guiding.star_images import Star, moved, star_image
from nightloom.guiding import GuideStars, find_guide_stars, measure

FIELD: list[Star] = [
    (60.3, 50.7, 60_000),
    (150.6, 120.2, 25_000),
    (250.1, 80.4, 15_000),
    (90.8, 190.9, 12_000),
    (270.5, 200.5, 9_000),
]


def choose(image: np.ndarray, count_max: int = 8) -> GuideStars:
    return find_guide_stars(image, saturation_adu=65_535, count_max=count_max, margin_px=16)


def one_star(flux_adu: float, fwhm_px: float) -> GuideStars:
    flux = np.array([flux_adu])
    return GuideStars(np.array([32.3]), np.array([30.4]), flux, np.sqrt(flux), fwhm_px)


def test_finds_all_clean_stars_brightest_first() -> None:
    stars = choose(star_image(FIELD, rng=np.random.default_rng(1)))
    assert stars.x_px == pytest.approx([x for x, _, _ in FIELD], abs=0.1)
    assert stars.y_px == pytest.approx([y for _, y, _ in FIELD], abs=0.1)
    assert stars.flux_adu == pytest.approx([flux for _, _, flux in FIELD], rel=0.05)
    assert stars.fwhm_px == pytest.approx(3.0, rel=0.1)


def test_count_max_keeps_the_brightest() -> None:
    stars = choose(star_image(FIELD, rng=np.random.default_rng(1)), count_max=2)
    assert stars.x_px == pytest.approx([60.3, 150.6], abs=0.1)


def test_leaves_out_saturated_edge_and_double_stars_and_hot_pixels() -> None:
    """Each kind that would mislead is brighter than the one good star, and still not chosen."""
    good = (160.2, 120.6, 8_000.0)
    bad = [
        (50.0, 50.0, 900_000.0),  # saturated
        (6.0, 200.0, 30_000.0),  # near the edge
        (250.0, 60.0, 30_000.0),  # double
        (255.0, 61.0, 20_000.0),
    ]
    image = star_image(
        [good, *bad], rng=np.random.default_rng(2), hot_pixels=[(100, 180, 30_000), (220, 150, 900)]
    )
    stars = choose(image)
    assert len(stars) == 1
    assert (stars.x_px[0], stars.y_px[0]) == pytest.approx(good[:2], abs=0.1)


@pytest.mark.parametrize("fwhm_px", [0.95, 1.5])
def test_sharp_star_is_not_taken_for_a_hot_pixel(fwhm_px: float) -> None:
    """Centred on a pixel; 0.95 px are 4″ at 4.1″ a pixel, the sharpest a small telescope gives."""
    image = star_image([(160.0, 120.0, 20_000.0)], rng=np.random.default_rng(3), fwhm_px=fwhm_px)
    assert len(choose(image)) == 1


def test_no_stars_is_an_empty_choice_that_can_be_measured() -> None:
    image = star_image([], rng=np.random.default_rng(4))
    stars = choose(image)
    assert len(stars) == 0
    measurement = measure(image, stars, radius_px=8)
    assert measurement.held == 0
    assert measurement.flux_ratio == 0
    assert math.isnan(measurement.dx_px)


def test_blank_noiseless_frame_gives_no_star() -> None:
    assert len(choose(np.full((240, 320), 100, dtype=np.uint16))) == 0


@settings(max_examples=25)
@given(
    dx=st.floats(-5, 5),
    dy=st.floats(-5, 5),
    dim=st.floats(0.4, 1.5),
    seed=st.integers(0, 2**32 - 1),
)
def test_offset_of_several_pixels_is_recovered(dx: float, dy: float, dim: float, seed: int) -> None:
    """Also when the light changes at the same time."""
    rng = np.random.default_rng(seed)
    stars = choose(star_image(FIELD, rng=rng))
    # Of the guide loop's size: a star 5 px off in a window of 8 px has its light cut by the rim.
    measurement = measure(star_image(moved(FIELD, dx, dy, dim), rng=rng), stars, radius_px=14)
    assert measurement.held == len(FIELD)
    # Reference and frame both carry noise: five standard errors of their difference.
    allowed = 5 * math.sqrt(2) * measurement.error_px
    assert (measurement.dx_px, measurement.dy_px) == pytest.approx((dx, dy), abs=allowed)
    # The middle of five scatters by half of one star's error, in the reference and in the frame:
    # five of those are 3 to 7 %, as bright as the frame is.
    one_star = math.hypot(1 / np.median(stars.snr), 1 / np.median(measurement.snr))
    assert measurement.flux_ratio == pytest.approx(dim, rel=5 * one_star / 2)


def test_dither_is_measured_against_the_shifted_lock_position() -> None:
    rng = np.random.default_rng(5)
    stars = choose(star_image(FIELD, rng=rng)).shifted(12.0, -9.0)
    measurement = measure(star_image(moved(FIELD, 12.4, -9.0), rng=rng), stars, radius_px=6)
    assert (measurement.dx_px, measurement.dy_px) == pytest.approx((0.4, 0.0), abs=0.1)


def test_search_can_follow_stars_that_are_led_away() -> None:
    rng = np.random.default_rng(6)
    stars = choose(star_image(FIELD, rng=rng))
    image = star_image(moved(FIELD, 20.0, 10.0), rng=rng)
    measurement = measure(image, stars, radius_px=6, near_px=(18.0, 9.0))
    assert (measurement.dx_px, measurement.dy_px) == pytest.approx((20.0, 10.0), abs=0.1)


def test_hot_pixels_in_the_windows_do_not_pull_the_offset() -> None:
    rng = np.random.default_rng(7)
    stars = choose(star_image(FIELD, rng=rng))
    hot = [(64, 46, 20_000.0), (157, 124, 20_000.0)]
    image = star_image(moved(FIELD, 1.0, 1.0), rng=rng, hot_pixels=hot)
    measurement = measure(image, stars, radius_px=8)
    assert (measurement.dx_px, measurement.dy_px) == pytest.approx((1.0, 1.0), abs=0.1)


def test_a_bright_star_that_comes_into_one_window_does_not_outweigh_the_others() -> None:
    """Saturated, and so no guide star; the telescope was led some pixels away from it."""
    rng = np.random.default_rng(20)
    field: list[Star] = [*FIELD[:3], (77.0, 50.0, 3_000_000)]
    stars = choose(star_image(field, rng=rng, fwhm_px=1.2))
    assert len(stars) == 3
    later = star_image(moved(field, -3.0, 1.0), rng=rng, fwhm_px=1.2)
    measurement = measure(later, stars, radius_px=14)
    assert measurement.held >= 2
    assert (measurement.dx_px, measurement.dy_px) == pytest.approx((-3.0, 1.0), abs=0.1)


def test_lost_star_is_flagged_and_the_others_carry_on() -> None:
    rng = np.random.default_rng(8)
    stars = choose(star_image(FIELD, rng=rng))
    measurement = measure(star_image(moved(FIELD[1:], 0.5, 0.0), rng=rng), stars, radius_px=8)
    assert measurement.is_held.tolist() == [False, True, True, True, True]
    assert np.isnan(measurement.x_px[0])
    assert measurement.dx_px == pytest.approx(0.5, abs=0.1)


def test_star_that_leaves_the_frame_is_lost_quietly() -> None:
    rng = np.random.default_rng(9)
    stars = choose(star_image(FIELD, rng=rng)).shifted(60.0, 0.0)
    measurement = measure(star_image(moved(FIELD, 60.0, 0.0), rng=rng), stars, radius_px=8)
    assert measurement.is_held.tolist() == [True, True, True, True, False]


def test_total_loss_says_so() -> None:
    """A frame of thick cloud: no offset, no light, no exception."""
    rng = np.random.default_rng(10)
    stars = choose(star_image(FIELD, rng=rng))
    measurement = measure(star_image([], rng=rng), stars, radius_px=8)
    assert measurement.held == 0
    assert math.isnan(measurement.dx_px)
    assert math.isnan(measurement.error_px)
    assert measurement.flux_ratio < 0.05


def test_noise_alone_is_hardly_ever_taken_for_a_star() -> None:
    rng = np.random.default_rng(15)
    stars = choose(star_image(FIELD, rng=rng))
    held = [measure(star_image([], rng=rng), stars, radius_px=10).held for _ in range(100)]
    assert sum(held) <= 1


def test_radius_without_room_for_a_star_is_an_error() -> None:
    image = star_image(FIELD, rng=np.random.default_rng(16))
    with pytest.raises(ValueError, match="radius_px"):
        measure(image, choose(image), radius_px=3)


def test_seeing_is_measured_in_each_frame() -> None:
    rng = np.random.default_rng(11)
    stars = choose(star_image(FIELD, rng=rng))
    measurement = measure(star_image(FIELD, rng=rng, fwhm_px=4.0), stars, radius_px=8)
    # Pixels widen a star: √(4² + 0.68²) px, from the variance 1/12 of a pixel.
    assert measurement.fwhm_px == pytest.approx(4.08, rel=0.03)


@pytest.mark.parametrize(("fwhm_px", "least"), [(0.95, 0.75), (1.3, 0.9), (2.0, 0.98)])
def test_a_star_moves_its_way_wherever_it_lies_on_the_pixels(fwhm_px: float, least: float) -> None:
    """Within a pixel's width the offset goes as the star does; least when it lies on a centre.

    Sampled at its own width a Gaussian loses nothing, at one pixel it must (Nyquist).
    """
    ways = np.linspace(0, 1, 21)
    stars = one_star(60_000, math.hypot(fwhm_px, 0.68))
    seen = [
        measure(
            star_image([(32 + way, 30.0, 60_000)], rng=None, fwhm_px=fwhm_px, shape=(64, 64)),
            stars,
            radius_px=14,
        ).dx_px
        for way in ways
    ]
    rates = np.gradient(seen, ways)
    assert rates.min() > least
    assert rates.max() < 2 - least
    assert seen[-1] - seen[0] == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("snr", [30.0, 100.0])
@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 4.0])
def test_centroid_scatter_is_near_the_photon_limit(snr: float, fwhm_px: float) -> None:
    """One axis scatters by FWHM/(2.355 SNR) when photons are the only noise (King 1983, PASP 95,
    163): N photons, each σ off, have a mean σ/√N off. The window may cost up to 30 %,
    and the least bound cannot be beaten.
    """
    rng = np.random.default_rng(12)
    flux, shape = snr**2, (64, 64)
    stars = one_star(flux, fwhm_px)
    offsets = []
    for _ in range(400):
        image = star_image(
            [(32.3, 30.4, flux)],
            rng=rng,
            fwhm_px=fwhm_px,
            sky_adu=0.02,
            read_noise_adu=0.0,
            shape=shape,
        )
        measurement = measure(image, stars, radius_px=9)
        offsets.append((measurement.dx_px, measurement.dy_px))
    seen_fwhm = math.sqrt(fwhm_px**2 + 2.3548**2 / 12)
    ratio = np.std(offsets) / (seen_fwhm / (2.3548 * snr))
    assert 0.93 < ratio < 1.3


def test_stated_error_covers_the_scatter_under_a_bright_sky() -> None:
    rng = np.random.default_rng(13)
    stars = one_star(20_000, 3.0)
    found = [
        measure(star_image([(32.3, 30.4, 20_000)], rng=rng, shape=(64, 64)), stars, radius_px=8)
        for _ in range(300)
    ]
    scatter = np.std([(each.dx_px, each.dy_px) for each in found])
    stated = np.median([each.star_error_px[0] for each in found])
    assert 0.7 < scatter / stated < 1.3


def test_many_stars_beat_the_typical_one() -> None:
    """Five stars scatter less together than their median one, and no more than is stated."""
    rng = np.random.default_rng(14)
    stars = choose(star_image(FIELD, rng=rng))
    found = [measure(star_image(FIELD, rng=rng), stars, radius_px=8) for _ in range(60)]
    together = np.std([each.dx_px for each in found])
    alone = np.median(np.std([each.x_px for each in found], axis=0))
    assert together < 0.8 * alone
    assert together < np.median([each.error_px for each in found])
