from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from focusing.blur import blurred_radius
from nightloom.focusing import BLURRED_DISK, HYPERBOLA, Refusal, Shape, fit_curve

Floats = NDArray[np.float64]

POSITIONS: Floats = np.linspace(24920, 25080, 9)
STARS = [60] * 9
DISKS = np.linspace(0, 12, 97)
BLURRED = np.array([blurred_radius(disk) for disk in DISKS])


def hyperbola(at: Floats, vertex: float, radius: float, slope: float) -> Floats:
    return np.hypot(radius, slope * (at - vertex))


def disks(at: Floats, vertex: float, radius: float, slope: float) -> Floats:
    """Stars of blurred disks that far out grow by the slope: half of their light is in R/√2."""
    far = slope * np.abs(at - vertex) / radius * np.sqrt(2) * np.sqrt(2 * np.log(2))
    sizes = np.where(far < 12, np.interp(far, DISKS, BLURRED), far / np.sqrt(2))
    return np.asarray(radius * sizes / BLURRED[0])


def blurred(vertex: float) -> Floats:
    """Radii in px of the scan's stars: σ 1.3 px, the disk growing by 1 σ in 22 steps."""
    return np.asarray(1.3 * np.interp(np.abs(POSITIONS - vertex) / 22.0, DISKS, BLURRED))


@pytest.mark.parametrize(
    ("disk", "radius"),
    [(0, 1.177), (0.5, 1.213), (1, 1.322), (2, 1.724), (3, 2.280), (5, 3.575), (8, 5.661)],
)
def test_blur_of_the_test_stars(disk: float, radius: float) -> None:
    """The test's stars agree with a Monte Carlo of seeing convolved with a defocused disk."""
    assert blurred_radius(disk) == pytest.approx(radius, abs=0.003)


@given(st.floats(24965, 25035), st.floats(1, 4), st.floats(0.02, 0.1))
@settings(max_examples=50)
def test_a_clean_curve_is_found_exactly(vertex: float, radius: float, slope: float) -> None:
    """Without noise the fit gives back what made the points."""
    if slope * 80 < radius:
        slope = radius / 60  # otherwise flat
    curve = fit_curve(POSITIONS, disks(POSITIONS, vertex, radius, slope), STARS)
    assert curve.refusal is None
    assert curve.vertex_steps == pytest.approx(vertex, abs=0.05)
    assert curve.radius_px == pytest.approx(radius, rel=2e-3)
    assert curve.slope_px_per_step == pytest.approx(slope, rel=2e-3)
    far = vertex + 100
    assert curve.radius_at(far) == pytest.approx(
        disks(np.array([far]), vertex, radius, slope)[0], rel=2e-3
    )


@pytest.mark.parametrize(("shape", "model"), [(BLURRED_DISK, disks), (HYPERBOLA, hyperbola)])
def test_agrees_with_scipy_curve_fit(shape: Shape, model: Callable[..., Floats]) -> None:
    """On well-behaved noise vertex and standard error agree with scipy's least squares.

    But for the width that Student's t adds for six degrees of freedom, 1.09.
    """
    generator = np.random.default_rng(3)
    vertices, ratios = [], []
    for _ in range(40):
        radii = model(POSITIONS, 25006, 1.6, 0.05)
        errors = 0.02 * radii
        radii = radii + errors * generator.standard_normal(9)
        curve = fit_curve(POSITIONS, radii, STARS, errors, shape=shape)
        expected, covariance = curve_fit(model, POSITIONS, radii, (25000, 1.5, 0.05), errors)
        vertices.append(curve.vertex_steps - expected[0])
        ratios.append(curve.vertex_error_steps / np.sqrt(covariance[0, 0]))
    assert np.abs(vertices).max() < 1.0
    assert np.median(ratios) == pytest.approx(1.09, abs=0.25)


def air_through_a_scan(generator: np.random.Generator) -> Floats:
    """Focused radii of 1.6 px in nine frames, 6.5 s apart.

    The seeing changes by 15 % with a correlation of 900 s, and by 3 % from frame to frame.
    """
    kept, logs = np.exp(-6.5 / 900), [0.15 * generator.standard_normal()]
    for _ in range(8):
        step = 0.15 * np.sqrt(1 - kept**2) * generator.standard_normal()
        logs.append(kept * logs[-1] + step)
    return 1.6 * np.exp(np.array(logs) + 0.03 * generator.standard_normal(9))


def test_the_stated_error_holds_the_vertex_as_often_as_it_should() -> None:
    """500 scans under air that changes: 68 % for one σ, within 8."""
    generator, held = np.random.default_rng(2), 0
    for _ in range(500):
        vertex = generator.uniform(24970, 25030)
        radii = np.array(
            [
                disks(np.array([at]), vertex, focused, 0.0376)[0]
                for at, focused in zip(POSITIONS, air_through_a_scan(generator), strict=True)
            ]
        )
        curve = fit_curve(POSITIONS, radii * np.exp(0.01 * generator.standard_normal(9)), STARS)
        held += abs(curve.vertex_steps - vertex) < curve.vertex_error_steps
    assert 0.60 < held / 500 < 0.76


def many_fits(noise: float, bad_points: int) -> tuple[Floats, Floats]:
    """Deviations of the vertex in steps, and the same in standard errors, over 100 scans."""
    generator = np.random.default_rng(11)
    away, errors = [], []
    for _ in range(100):
        vertex = generator.uniform(24985, 25015)
        radii = blurred(vertex) * (1 + noise * generator.standard_normal(9))
        for bad in generator.choice(9, bad_points, replace=False):
            radii[bad] *= generator.choice([0.6, 1.6])
        curve = fit_curve(POSITIONS, radii, STARS)
        away.append(curve.vertex_steps - vertex)
        errors.append(curve.vertex_error_steps)
    return np.array(away), np.array(away) / np.array(errors)


def test_blurred_disks_leave_the_vertex_unbiased_and_its_error_honest() -> None:
    """Stars of blurred disks: nothing leans to a side, and the errors cover."""
    away, in_errors = many_fits(noise=0.02, bad_points=0)
    assert abs(away.mean()) < 3 * away.std() / np.sqrt(len(away))
    assert away.std() < 2
    assert 0.55 < np.mean(np.abs(in_errors) < 1) < 0.9
    assert np.mean(np.abs(in_errors) < 2) > 0.8


def test_one_bad_point_hardly_moves_the_vertex() -> None:
    """A point wrong by 40 or 60 % hardly moves the vertex, and its error grows too."""
    away, in_errors = many_fits(noise=0.02, bad_points=1)
    assert np.median(np.abs(away)) < 3  # of a spacing of 20
    assert np.mean(np.abs(in_errors) < 2) > 0.8


def refusal(radii: Floats, stars: list[int] = STARS, least_stars: int = 8) -> Refusal | None:
    return fit_curve(POSITIONS, radii, stars, least_stars=least_stars).refusal


def test_refuses_a_vertex_outside() -> None:
    """A curve that only falls, or turns at the last position but one, has its vertex outside."""
    assert refusal(hyperbola(POSITIONS, 25120, 1.5, 0.05)) is Refusal.VERTEX_OUTSIDE
    assert refusal(hyperbola(POSITIONS, 24925, 1.5, 0.05)) is Refusal.VERTEX_OUTSIDE
    assert refusal(hyperbola(POSITIONS, 24945, 1.5, 0.05)) is None


def test_refuses_too_few_stars() -> None:
    """Positions without enough stars do not count."""
    radii = hyperbola(POSITIONS, 25000, 1.5, 0.05)
    assert refusal(radii, [3, 3, 3, 9, 9, 9, 9, 3, 3]) is Refusal.TOO_FEW_STARS
    assert refusal(radii, [3, 3, 9, 9, 9, 9, 9, 3, 3]) is None
    radii[:5] = np.nan
    assert refusal(radii) is Refusal.TOO_FEW_STARS


def test_refuses_too_few_points() -> None:
    """Four positions make no curve, and say so without numbers."""
    curve = fit_curve([1, 2, 3, 4], [3, 2, 2, 3], [50] * 4)
    assert curve.refusal is Refusal.TOO_FEW_POINTS
    assert np.isnan(curve.vertex_steps)
    assert fit_curve([7] * 9, [2.0] * 9, STARS).refusal is Refusal.TOO_FEW_POINTS


def test_refuses_a_flat_curve() -> None:
    """Stars of one size everywhere, with noise, show no vertex."""
    generator = np.random.default_rng(5)
    for _ in range(10):
        assert refusal(2.0 * (1 + 0.02 * generator.standard_normal(9))) is Refusal.FLAT
    assert refusal(np.full(9, 2.0)) is Refusal.FLAT


def test_refuses_scatter() -> None:
    """Points that follow no curve are never taken for a focus."""
    generator = np.random.default_rng(5)
    for _ in range(10):
        assert refusal(generator.uniform(1, 6, 9)) in (
            Refusal.POOR_FIT,
            Refusal.FLAT,
            Refusal.VERTEX_OUTSIDE,
        )


def test_lengths_must_agree() -> None:
    """Points with a part missing are a mistake of the caller."""
    with pytest.raises(ValueError, match="equally many"):
        fit_curve([1, 2, 3], [1, 2], [5, 5, 5], [1, 1, 1])
