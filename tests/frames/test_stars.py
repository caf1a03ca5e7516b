"""Star measurement against profiles whose half-flux radius is known in closed form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frames.rendering import draw, scattered
from nightloom.frames.stars import measure

SATURATION_ADU = 64000.0

# Half-flux diameter / FWHM, computed from the profiles' closed forms: Gaussian 2√(2 ln 2) σ for
# both; Moffat FWHM 2α√(2^(1/β)−1) and half-flux radius α√(2^(1/(β−1))−1).
DIAMETER_PER_FWHM = {None: 1.0, 4.765: 1.1362, 3.5: 1.2078, 3.0: 1.2624, 2.5: 1.3559}


@pytest.mark.parametrize("moffat_beta", DIAMETER_PER_FWHM)
def test_sizes_of_known_profiles(moffat_beta: float | None) -> None:
    """Half-flux radius to 2 % and FWHM to 8 % (a core fit overrates a Moffat's) at 6 px FWHM."""
    frame = draw(*scattered(60), fwhm_px=6.0, moffat_beta=moffat_beta)
    field = measure(frame, saturation_adu=SATURATION_ADU)
    half_flux_radius_px = 3.0 * DIAMETER_PER_FWHM[moffat_beta]
    assert field.half_flux_radius_px == pytest.approx(half_flux_radius_px, rel=0.02)
    assert field.fwhm_px == pytest.approx(6.0, rel=0.08)
    assert field.ellipticity < 0.05


@pytest.mark.parametrize("fwhm_px", [2.0, 3.0, 4.0, 8.0])
def test_a_pixel_widens_a_star_in_quadrature(fwhm_px: float) -> None:
    """By its own variance of 1/12 px², once when it collects light and once when it is shared."""
    field = measure(draw(*scattered(60), fwhm_px=fwhm_px), saturation_adu=SATURATION_ADU)
    sigma = np.sqrt((fwhm_px / 2.35482) ** 2 + 2 / 12)
    assert field.half_flux_radius_px == pytest.approx(1.17741 * sigma, rel=0.02)


def test_every_star_is_found_where_it_was_drawn() -> None:
    """All of 60 stars to 0.1 px, with their fluxes to 1 %, on the right background and noise."""
    x, y, flux = scattered(60)
    field = measure(draw(x, y, flux, fwhm_px=3.0), saturation_adu=SATURATION_ADU)
    assert field.count == len(field.stars) == 60
    assert field.background_adu == pytest.approx(400, abs=1)
    assert field.noise_adu == pytest.approx(8, rel=0.03)
    distances = np.hypot(field.stars["x"][:, None] - x, field.stars["y"][:, None] - y)
    assert distances.min(axis=1).max() < 0.1
    ratios = field.stars["flux_adu"] / flux[distances.argmin(axis=1)]
    assert np.median(np.abs(ratios - 1)) < 0.01  # not each: some share their aperture


def test_hot_pixels_are_no_stars() -> None:
    x, y, flux = scattered(30)
    clean = draw(x, y, flux, fwhm_px=3.0)
    rng = np.random.default_rng(3)
    hot = clean.copy()
    hot[rng.integers(0, 768, 1000), rng.integers(0, 1024, 1000)] = 30000
    before = measure(clean, saturation_adu=SATURATION_ADU)
    after = measure(hot, saturation_adu=SATURATION_ADU)
    assert after.count == pytest.approx(before.count, abs=2)
    assert after.half_flux_radius_px == pytest.approx(before.half_flux_radius_px, rel=0.02)


def test_saturated_stars_are_kept_and_marked_and_do_not_count_for_sizes() -> None:
    x, y, flux = scattered(40)
    flux[:5] = 5e6
    field = measure(draw(x, y, flux, fwhm_px=4.0), saturation_adu=SATURATION_ADU)
    assert field.stars["saturated"].sum() == 5
    assert field.stars["saturated"][:5].all()
    assert field.half_flux_radius_px == pytest.approx(2.05, rel=0.03)


def test_a_star_across_the_edge_is_marked_cut() -> None:
    lone = draw(np.array([3.0]), np.array([100.0]), np.array([1e5]), fwhm_px=4.0)
    field = measure(lone, saturation_adu=SATURATION_ADU)
    assert field.count == 1
    assert field.stars["cut"].all()
    assert np.isnan(field.half_flux_radius_px)


@pytest.mark.parametrize("value", [0, 1000, 65535])
def test_a_frame_without_stars_has_none(value: int) -> None:
    """Flat frames too: medians are NaN and nothing raises."""
    field = measure(np.full((256, 256), value, np.uint16), saturation_adu=SATURATION_ADU)
    assert field.count == 0
    assert np.isnan([field.half_flux_radius_px, field.fwhm_px, field.ellipticity]).all()


def test_noise_alone_makes_no_stars() -> None:
    nothing = np.zeros(0)
    field = measure(draw(nothing, nothing, nothing, fwhm_px=3.0), saturation_adu=SATURATION_ADU)
    assert field.count == 0


def test_floats_measure_as_their_integers_do() -> None:
    frame = draw(*scattered(20), fwhm_px=3.0)
    whole = measure(frame, saturation_adu=SATURATION_ADU)
    floating = measure(frame.astype(np.float32), saturation_adu=SATURATION_ADU)
    assert whole.stars.tobytes() == floating.stars.tobytes()


@settings(max_examples=25)
@given(
    seed=st.integers(0, 2**32 - 1),
    rows=st.integers(16, 200),
    columns=st.integers(16, 200),
    top=st.integers(2, 65535),
)
def test_no_frame_is_too_odd(seed: int, rows: int, columns: int, top: int) -> None:
    """White noise of any depth, of any shape, gives an answer."""
    frame = np.random.default_rng(seed).integers(0, top, (rows, columns), dtype=np.uint16)
    field = measure(frame, saturation_adu=SATURATION_ADU)
    assert field.count == len(field.stars)
