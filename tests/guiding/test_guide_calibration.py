"""Calibration against a simulated mount: rates, angles, backlash, refusals."""

import math
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from guiding.star_images import moved, star_image
from nightloom.guiding import (
    Calibration,
    CalibrationPolicy,
    CalibrationRun,
    Done,
    ImplausibleRate,
    Measurement,
    NotOrthogonal,
    Pulses,
    Refused,
    StarsLost,
    TooShort,
    find_guide_stars,
    measure,
)

SIDEREAL_ARCSEC_PER_S = 15.041  # 360° in a sidereal day of 86164.09 s

angles = st.floats(-180, 180)


def seen(x_px: float, y_px: float, held: int = 5) -> Measurement:
    none, no = np.empty(0), np.empty(0, dtype=np.bool_)
    return Measurement(x_px, y_px, 0.03, 3.0, 1.0, held, none, none, none, none, no)


@dataclass
class PulsedMount:
    """Moves stars by pulses, with slack in declination, drift, and noise."""

    ra_angle_deg: float = 30.0
    dec_angle_deg: float = 120.0
    ra_rate_px_per_s: float = 2.0
    dec_rate_px_per_s: float = 2.5
    slack_s: float = 0.0
    drift_px_per_s: float = 0.0
    noise_px: float = 0.0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))
    ra_px: float = 0.0
    dec_px: float = 0.0
    gear_s: float = 0.0
    drift_px: float = 0.0

    def pulse(self, pulses: Pulses) -> None:
        self.ra_px += (pulses.west_ms - pulses.east_ms) / 1000 * self.ra_rate_px_per_s
        asked_s = (pulses.north_ms - pulses.south_ms) / 1000
        free = self.gear_s + asked_s
        self.gear_s = min(max(free, -self.slack_s / 2), self.slack_s / 2)
        self.dec_px += (free - self.gear_s) * self.dec_rate_px_per_s
        self.drift_px += pulses.duration_ms / 1000 * self.drift_px_per_s

    def look(self) -> Measurement:
        ra, dec = math.radians(self.ra_angle_deg), math.radians(self.dec_angle_deg)
        x = self.ra_px * math.cos(ra) + self.dec_px * math.cos(dec) + self.drift_px
        y = self.ra_px * math.sin(ra) + self.dec_px * math.sin(dec)
        noise = self.rng.normal(0, self.noise_px, 2) if self.noise_px else (0.0, 0.0)
        return seen(x + noise[0], y + noise[1])


def calibrate(mount: PulsedMount, declination_deg: float = 0.0) -> Done | Refused:
    policy = CalibrationPolicy(scale_arcsec_per_px=3.0)
    run = CalibrationRun(policy, declination_deg=declination_deg, pier_side="west")
    for _ in range(200):
        step = run.next(mount.look())
        if not isinstance(step, Pulses):
            return step
        assert 0 < step.duration_ms <= policy.pulse_max_ms
        mount.pulse(step)
    raise AssertionError("the run never ended")


@given(angles, st.sampled_from([-90.0, 90.0]), st.floats(0.3, 4.0), st.floats(0, 2.0))
def test_clean_mount_is_learned_exactly(
    angle: float, quarter: float, rate: float, slack_s: float
) -> None:
    """Any camera angle, either handedness, rates from 0.06 to 0.8 sidereal at 3″ a pixel."""
    done = calibrate(PulsedMount(angle, angle + quarter, rate, rate * 1.1, slack_s))
    assert isinstance(done, Done)
    learned = done.calibration
    assert learned.ra_rate_px_per_s == pytest.approx(rate)
    assert learned.dec_rate_px_per_s == pytest.approx(rate * 1.1)
    assert learned.to_axes(
        math.cos(math.radians(angle)), math.sin(math.radians(angle))
    ) == pytest.approx((1.0, 0.0), abs=1e-9)
    assert learned.backlash_s == pytest.approx(slack_s, abs=1e-6)
    assert learned.pier_side == "west"


def test_drift_and_noise_leave_a_good_calibration() -> None:
    """A drift of 0.03 px/s (0.09″/s, a badly aligned mount) cancels between there and back."""
    done = calibrate(PulsedMount(drift_px_per_s=0.03, noise_px=0.1, slack_s=0.5))
    assert isinstance(done, Done)
    learned = done.calibration
    assert learned.ra_rate_px_per_s == pytest.approx(2.0, rel=0.05)
    assert learned.dec_rate_px_per_s == pytest.approx(2.5, rel=0.05)
    assert learned.ra_angle_deg == pytest.approx(30, abs=2)
    assert learned.dec_angle_deg == pytest.approx(120, abs=2)
    assert learned.backlash_s == pytest.approx(0.5, abs=0.3)


def test_calibration_from_pixels() -> None:
    """The whole way from frames: the search follows the stars that the pulses lead away."""
    field_stars = [(150.3, 120.2, 40_000.0), (200.6, 80.4, 20_000.0), (110.1, 170.8, 15_000.0)]
    mount, rng = PulsedMount(slack_s=0.4), np.random.default_rng(2)
    stars = find_guide_stars(
        star_image(field_stars, rng=rng), saturation_adu=65_535, count_max=5, margin_px=40
    )
    run = CalibrationRun(CalibrationPolicy(scale_arcsec_per_px=3.0), declination_deg=0.0)
    near: tuple[float, float] = (0.0, 0.0)
    while True:
        place = mount.look()
        image = star_image(moved(field_stars, place.dx_px, place.dy_px), rng=rng)
        measurement = measure(image, stars, radius_px=10, near_px=near)
        near = (measurement.dx_px, measurement.dy_px)
        step = run.next(measurement)
        if not isinstance(step, Pulses):
            break
        mount.pulse(step)
    assert isinstance(step, Done), step
    assert step.calibration.ra_rate_px_per_s == pytest.approx(2.0, rel=0.02)
    assert step.calibration.ra_angle_deg == pytest.approx(30.0, abs=1.0)
    assert step.calibration.backlash_s == pytest.approx(0.4, abs=0.1)


def test_mount_that_does_not_answer_is_refused_as_too_short() -> None:
    refused = calibrate(PulsedMount(ra_rate_px_per_s=0.0))
    assert isinstance(refused, TooShort)
    assert refused.moved_px == 0
    assert "west" in str(refused)


def test_skewed_axes_are_refused() -> None:
    refused = calibrate(PulsedMount(dec_angle_deg=70.0))
    assert isinstance(refused, NotOrthogonal)
    assert refused.skew_deg == pytest.approx(50)


def test_rate_no_mount_has_is_refused() -> None:
    """3 × sidereal at 3″ a pixel is 15 px/s: the scale in the settings is wrong."""
    refused = calibrate(PulsedMount(ra_rate_px_per_s=3 * SIDEREAL_ARCSEC_PER_S / 3.0))
    assert isinstance(refused, ImplausibleRate)
    assert refused.rate_sidereal == pytest.approx(3.0)


def test_lost_stars_are_refused() -> None:
    run = CalibrationRun(CalibrationPolicy(scale_arcsec_per_px=3.0), declination_deg=0.0)
    assert isinstance(run.next(seen(0, 0)), Pulses)
    assert isinstance(run.next(seen(math.nan, math.nan, held=0)), StarsLost)


@given(angles, st.floats(60, 120), st.floats(-20, 20), st.floats(-20, 20))
def test_axes_and_back_is_the_same_offset(
    angle: float, between: float, dx: float, dy: float
) -> None:
    calibration = Calibration(angle, angle + between, 2.0, 2.5, 10.0)
    assert calibration.from_axes(*calibration.to_axes(dx, dy)) == pytest.approx((dx, dy), abs=1e-9)


def test_ra_rate_follows_the_cosine_of_declination() -> None:
    """The cosine of 60° is 0.5; the declination rate stays."""
    calibration = Calibration(0.0, 90.0, 2.0, 2.5, 0.0).at_declination(-60.0)
    assert calibration.ra_rate_px_per_s == pytest.approx(1.0)
    assert calibration.dec_rate_px_per_s == 2.5
    assert calibration.at_declination(0.0).ra_rate_px_per_s == pytest.approx(2.0)


@given(st.booleans(), st.floats(-10, 10), st.floats(-10, 10))
def test_other_side_of_the_pier_and_back(north_stays_north: bool, dx: float, dy: float) -> None:
    here = Calibration(25.0, 115.0, 2.0, 2.5, 0.0, "east")
    there = here.mirrored(north_stays_north=north_stays_north)
    ra, dec = here.to_axes(dx, dy)
    assert there.pier_side == "west"
    assert there.to_axes(dx, dy) == pytest.approx(
        (-ra, -dec if north_stays_north else dec), abs=1e-9
    )
    assert there.mirrored(north_stays_north=north_stays_north).to_axes(dx, dy) == pytest.approx(
        (ra, dec), abs=1e-9
    )
