"""What guiding takes where its settings are left out."""

import math

import pytest

from night.nights import demo
from nightloom.guiding.derived import calibration_policy, rest_policy, rest_within_arcsec
from nightloom.settings.observatory import Observatory
from nightloom.settings.policies import GuidingPolicy

LEFT_OUT = GuidingPolicy()
GUIDE_SCALE = 4.125
"""″/px of 4.8 µm behind 240 mm: 206.265 × 4.8 / 240, by the textbooks' plate scale."""


def observatory(exposure_s: float = 2.0) -> Observatory:
    made = demo()[0].observatory
    chip = made.guide_camera.model_copy(update={"exposure_s": exposure_s})
    return made.model_copy(update={"guide_camera": chip})


def test_rest_is_within_half_a_pixel_of_the_main_camera() -> None:
    """3.76 µm behind 530 mm: 206.265 × 3.76 / 530 = 1.463″/px."""
    assert rest_within_arcsec(LEFT_OUT, observatory()) == pytest.approx(0.732, abs=0.001)
    within_px = rest_policy(LEFT_OUT, observatory()).rest_within_px
    assert within_px == pytest.approx(0.732 / GUIDE_SCALE, rel=0.002)


def test_half_a_pixel_widens_a_star_as_sharp_as_sampling_allows_by_a_twelfth() -> None:
    """σ of a Gaussian is FWHM / 2.355; widths of convolved Gaussians add in quadrature."""
    sigma_px = 2.0 / (2 * math.sqrt(2 * math.log(2)))
    assert math.hypot(sigma_px, 0.5 / math.sqrt(2)) / sigma_px == pytest.approx(1.083, abs=0.001)


def test_a_main_camera_of_unknown_pixel_leaves_half_a_pixel_of_the_guide_camera() -> None:
    made = observatory()
    unknown = made.camera.model_copy(update={"pixel_um": None})
    within = rest_within_arcsec(LEFT_OUT, made.model_copy(update={"camera": unknown}))
    assert within == pytest.approx(GUIDE_SCALE / 2, rel=0.001)


@pytest.mark.parametrize(("exposure_s", "rest_for_s"), [(0.5, 2.0), (2.0, 2.0), (5.0, 5.0)])
def test_rest_lasts_a_guide_exposure_and_as_long_as_the_air_moves_alike(
    exposure_s: float, rest_for_s: float
) -> None:
    policy = rest_policy(LEFT_OUT, observatory(exposure_s))
    assert policy.rest_for_s == rest_for_s
    assert policy.deadline_s == 10 * rest_for_s


def test_what_the_air_makes_is_not_far() -> None:
    """95 % of frames in air of 1 px are within 2.45 of what one axis of it has."""
    policy = rest_policy(LEFT_OUT, observatory())
    assert policy.is_far(0.2, seeing_px=0.0)
    assert not policy.is_far(0.17, seeing_px=0.0)
    assert not policy.is_far(1.7, seeing_px=1.0)
    assert policy.is_far(1.8, seeing_px=1.0)
    assert not policy.is_far(math.nan, seeing_px=0.0)


@pytest.mark.parametrize(
    ("rates_sidereal", "step_ms"),
    [
        (None, 1097),
        ((0.5, 0.5), 1097),
        ((1.0, 0.5), 1097),
        ((1.0, 1.0), 549),
        ((0.0, 0.0), 1097),
        ((0.1, 0.1), 2500),
    ],
)
def test_a_step_moves_two_pixels_at_the_slower_rate_that_can_be_true(
    rates_sidereal: tuple[float, float] | None, step_ms: int
) -> None:
    """8.25″ at a part of the sidereal rate, 15.041″ a second; the longest pulse is 2.5 s."""
    policy = calibration_policy(LEFT_OUT, GUIDE_SCALE, rates_sidereal)
    assert policy.pulse_ms == pytest.approx(step_ms, abs=1)


def test_what_is_written_down_counts() -> None:
    said = GuidingPolicy(
        rest_within_arcsec=2.0, rest_for_s=3.0, rest_deadline_s=9.0, calibration_step_ms=400.0
    )
    policy = rest_policy(said, observatory())
    assert (policy.rest_for_s, policy.deadline_s) == (3.0, 9.0)
    assert policy.rest_within_px == pytest.approx(2.0 / GUIDE_SCALE, rel=0.001)
    assert calibration_policy(said, GUIDE_SCALE, (1.0, 1.0)).pulse_ms == 400
