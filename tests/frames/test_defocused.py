"""Stars far out of focus: disks and rings of known size."""

import numpy as np
import pytest

from frames.rendering import draw_defocused, scattered
from nightloom.frames.stars import measure

SATURATION_ADU = 64000.0

# Twelve bright stars that stay apart as disks of 60 px radius.
X, Y = (
    places.ravel().astype(float) for places in np.meshgrid((130, 380, 650, 890), (120, 370, 640))
)
FLUX = 10 ** np.linspace(5.5, 6.5, 12)

# Half-flux radius, in σ, of a Gaussian σ convolved with a uniform disk of radius R: computed by
# Monte Carlo integration for R/σ = 0.5 … 8; far out it is R/√2.
IN_SIGMAS = {0.5: 1.213, 1.0: 1.322, 2.0: 1.724, 3.0: 2.280, 5.0: 3.575, 8.0: 5.661}


@pytest.mark.parametrize("ratio", IN_SIGMAS)
def test_a_blurred_disk_has_the_computed_radius(ratio: float) -> None:
    """From nearly a Gaussian to nearly a disk, to 2 %."""
    x, y, flux = scattered(40)
    frame = draw_defocused(x, y, 4 * flux, disk_radius_px=2.5 * ratio, sigma_px=2.5)
    field = measure(frame, saturation_adu=SATURATION_ADU)
    assert field.half_flux_radius_px == pytest.approx(2.5 * IN_SIGMAS[ratio], rel=0.02)


@pytest.mark.parametrize("radius_px", [10, 20, 40, 60])
@pytest.mark.parametrize("hole", [0.0, 0.3, 0.5])
def test_far_out_a_disk_or_ring_is_one_star(radius_px: float, hole: float) -> None:
    """Half of the light of a uniform ring lies within R √((1 + hole²)/2); to 3 %."""
    frame = draw_defocused(X, Y, FLUX, disk_radius_px=radius_px, hole=hole)
    field = measure(frame, saturation_adu=SATURATION_ADU)
    assert field.half_flux_radius_px == pytest.approx(
        radius_px * np.sqrt((1 + hole**2) / 2), rel=0.03
    )
    assert field.count == 12


@pytest.mark.parametrize("hole", [0.0, 0.4])
def test_overlapping_disks_still_tell_their_size(hole: float) -> None:
    """Half of the disks touch another: to 15 %, which is enough to know where to turn."""
    x, y, flux = scattered(12, margin_px=70, seed=5)
    frame = draw_defocused(x, y, 10 * flux, disk_radius_px=60, hole=hole)
    field = measure(frame, saturation_adu=SATURATION_ADU)
    assert field.half_flux_radius_px == pytest.approx(60 * np.sqrt((1 + hole**2) / 2), rel=0.15)


@pytest.mark.parametrize("hole", [0.0, 0.45])
def test_hot_pixels_hide_no_ring(hole: float) -> None:
    """A thousandth of all pixels, each far brighter than the disks are."""
    frame = draw_defocused(X, Y, FLUX, disk_radius_px=30, hole=hole)
    rng = np.random.default_rng(3)
    frame[rng.integers(0, 768, 800), rng.integers(0, 1024, 800)] = 30000
    field = measure(frame, saturation_adu=SATURATION_ADU)
    assert field.half_flux_radius_px == pytest.approx(30 * np.sqrt((1 + hole**2) / 2), rel=0.04)


def test_stars_of_a_halved_frame_are_where_they_were() -> None:
    """Places and fluxes are those of the whole frame's pixels."""
    x, y, flux = np.array([200.0, 700.0]), np.array([300.0, 500.0]), np.array([2e6, 1e6])
    field = measure(
        draw_defocused(x, y, flux, disk_radius_px=40, hole=0.4), saturation_adu=SATURATION_ADU
    )
    assert field.binning > 1
    assert field.stars["x"] == pytest.approx(x, abs=1)
    assert field.stars["y"] == pytest.approx(y, abs=1)
    assert field.stars["flux_adu"] == pytest.approx(flux, rel=0.02)
