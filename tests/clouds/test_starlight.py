"""The light of matched stars between two frames of a field."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.clouds import StarLight, extinction_mag, light_ratio, transparency_at

SIDE_PX = 640.0


def field(seed: int = 1, stars: int = 120) -> StarLight:
    """Stars anywhere, brightest first, their number growing by 10^0.3 a magnitude."""
    rng = np.random.default_rng(seed)
    magnitudes = np.sort(np.log10(rng.uniform(0.01, 1.0, stars)) / 0.3)
    return StarLight(
        rng.uniform(0, SIDE_PX, stars), rng.uniform(0, SIDE_PX, stars), 10 ** (-0.4 * magnitudes)
    )


def seen_again(
    reference: StarLight,
    *,
    through: float = 1.0,
    shift_px: tuple[float, float] = (0.0, 0.0),
    turn_deg: float = 0.0,
    scatter: float = 0.03,
    missing: int = 0,
    told_deg: float | None = None,
) -> StarLight:
    """The same field moved, turned about its middle, and dimmed; the faintest are missing."""
    rng = np.random.default_rng(3)
    turn = np.exp(1j * np.radians(turn_deg))
    middle = (1 + 1j) * SIDE_PX / 2
    places = (reference.x_px + 1j * reference.y_px - middle) * turn + middle
    light = reference.adu_per_s * through * (1 + scatter * rng.standard_normal(len(reference)))
    order = np.argsort(-light)[: len(reference) - missing]
    return StarLight(
        (places.real + shift_px[0] + 0.1 * rng.standard_normal(len(reference)))[order],
        (places.imag + shift_px[1] + 0.1 * rng.standard_normal(len(reference)))[order],
        light[order],
        told_deg,
    )


@pytest.mark.parametrize("through", [1.0, 0.76, 0.3, 0.1])
@pytest.mark.parametrize(
    ("shift_px", "turn_deg"), [((0, 0), 0), ((-9, 7), 0), ((25, -14), 180.3), ((3, 3), 0.25)]
)
def test_light_is_compared_after_dithers_and_across_the_meridian(
    through: float, shift_px: tuple[float, float], turn_deg: float
) -> None:
    """A new centring is off by 30″, and a camera stands on its head on the other side."""
    seen = seen_again(field(), through=through, shift_px=shift_px, turn_deg=turn_deg, missing=40)
    found = light_ratio(seen, field())
    assert found is not None
    assert found.ratio == pytest.approx(through, rel=4 * 0.03 / 80**0.5)
    assert found.stars >= 70


def test_a_camera_that_was_turned_is_known_from_its_solution() -> None:
    reference = field()
    solved = StarLight(reference.x_px, reference.y_px, reference.adu_per_s, 10.0)
    seen = seen_again(reference, turn_deg=37.0, told_deg=47.0)
    assert light_ratio(seen, reference) is None
    found = light_ratio(seen, solved)
    assert found is not None
    assert found.ratio == pytest.approx(1.0, abs=0.02)


def test_another_field_and_a_handful_of_stars_are_not_compared() -> None:
    for seed in range(2, 30):
        assert light_ratio(field(seed), field(1)) is None
    assert light_ratio(field(1, stars=4), field(1, stars=4)) is None


def test_the_error_is_that_of_a_median() -> None:
    """√(π/2) σ/√n for normal scatter (Kendall & Stuart, The Advanced Theory of Statistics I)."""
    found = light_ratio(seen_again(field(stars=250), scatter=0.05), field(stars=250))
    assert found is not None
    assert found.error == pytest.approx(1.2533 * 0.05 / 250**0.5, rel=0.25)


def test_one_variable_star_and_one_cut_by_a_trail_change_nothing() -> None:
    light = field().adu_per_s.copy()
    light[3] *= 4.0
    light[7] *= 0.1
    found = light_ratio(StarLight(field().x_px, field().y_px, light), field())
    assert found is not None
    assert found.ratio == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    ("mag", "share"), [(0.0, 1.0), (0.3, 0.7586), (0.7526, 0.5), (1.0, 0.3981), (2.5, 0.1)]
)
def test_magnitudes_are_pogsons(mag: float, share: float) -> None:
    """Five magnitudes are a factor of a hundred (Pogson 1856, MNRAS 17, 12)."""
    assert transparency_at(mag) == pytest.approx(share, abs=1e-4)
    assert extinction_mag(share) == pytest.approx(mag, abs=1e-3)


@given(st.floats(0.01, 1.0))
def test_magnitudes_and_back(share: float) -> None:
    assert transparency_at(extinction_mag(share)) == pytest.approx(share)
