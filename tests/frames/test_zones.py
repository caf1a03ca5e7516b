"""Shapes and sizes by parts of the frame: tilt, curvature and the direction of smear."""

import numpy as np
import pytest
from astropy.modeling.models import Gaussian2D
from numpy.typing import NDArray

from frames.rendering import exposed, scattered
from nightloom.frames.stars import StarField, measure

X, Y, FLUX = scattered(240, margin_px=30, seed=8)


def drawn(
    long_px: NDArray[np.float64], short_px: NDArray[np.float64], angle_deg: float
) -> StarField:
    """Stars of given rms semi-axes, long at an angle from the x axis towards the y axis."""
    image = np.full((768, 1024), 400.0)
    rows, columns = np.mgrid[-25:26, -25:26]
    for x, y, flux, long, short in zip(X, Y, 3 * FLUX, long_px, short_px, strict=True):
        left, top = round(x) - 25, round(y) - 25
        peak = flux / (2 * np.pi * long * short)
        star = Gaussian2D(peak, x - left - 25, y - top - 25, long, short, np.radians(angle_deg))
        stamp = star(columns, rows)
        image[top : top + 51, left : left + 51] += stamp
    return measure(exposed(image), saturation_adu=64000.0)


@pytest.mark.parametrize("angle_deg", [-80.0, -45.0, 0.0, 30.0, 89.0])
def test_a_common_smear_has_its_direction(angle_deg: float) -> None:
    """Ellipticity 1 − b/a to 0.04 and direction to 1.5°, and to 6° from the few stars of a zone."""
    field = drawn(np.full(240, 2.4), np.full(240, 1.6), angle_deg)
    assert field.ellipticity == pytest.approx(1 / 3, abs=0.04)
    for direction_deg, most_deg in (
        (field.long_axis_deg, 1.5),
        *((direction_deg, 6.0) for direction_deg in field.zones["long_axis_deg"].ravel()),
    ):
        off_deg = (direction_deg - angle_deg + 90) % 180 - 90
        assert abs(off_deg) < most_deg


def test_round_stars_have_no_direction() -> None:
    field = drawn(np.full(240, 2.0), np.full(240, 2.0), 0.0)
    assert field.ellipticity < 0.06
    assert np.isnan(field.long_axis_deg)


def test_a_tilt_shows_in_the_zones() -> None:
    """Stars grow from the left to the right, and not from the top to the bottom."""
    sigma_px = 1.5 + 1.5 * X / 1024
    zones = drawn(sigma_px, sigma_px, 0.0).zones["half_flux_radius_px"]
    expected_px = 1.17741 * np.hypot(1.5 + 1.5 * np.array([1, 3, 5]) / 6, 12**-0.5)
    assert zones.mean(axis=0) == pytest.approx(expected_px, rel=0.05)
    assert zones.mean(axis=1) == pytest.approx(np.full(3, expected_px[1]), rel=0.05)


def test_zones_are_numbered_as_rows_and_columns_are() -> None:
    """Zone (0, 2) is that of the first rows and the last columns; one without stars is NaN."""
    image = np.full((768, 1024), 400.0)
    rows, columns = np.mgrid[0:768, 0:1024]
    image += Gaussian2D(5000, 900, 100, 2, 2)(columns, rows)
    zones = measure(exposed(image), saturation_adu=64000.0).zones
    assert zones["sized"].tolist() == [[0, 0, 1], [0, 0, 0], [0, 0, 0]]
    assert np.isfinite(zones["half_flux_radius_px"]).tolist() == (zones["sized"] > 0).tolist()
