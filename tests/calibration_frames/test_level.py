"""Flats on their level: panels of any brightness, within three frames; and what is dark."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom.calibration_frames.leak import leak
from nightloom.calibration_frames.level import (
    TOLERANCE,
    TRIALS_MAX,
    Light,
    Limits,
    first_light,
    level_of,
    next_light,
    on_level,
)

ASKED_ADU, FULL_ADU = 24_600.0, 58_000.0
LIMITS = Limits(0.5, 120.0, 255.0)


def trials(
    adu_per_s: float, limits: Limits = LIMITS, bend: float = 1.0
) -> tuple[int, Light] | None:
    """Frames until one is on level, and its light; None where it is given up.

    The panel gives so much at its highest brightness, and less by a power of it.
    """
    light: Light | None = first_light(limits, None)
    for number in range(1, TRIALS_MAX + 1):
        assert light is not None
        rate = adu_per_s * (light.panel / limits.panel_max) ** bend
        signal = min(rate * light.exposure_s, FULL_ADU)
        if on_level(signal, ASKED_ADU):
            return number, light
        light = next_light(light, signal, ASKED_ADU, limits, saturated=signal >= 0.95 * FULL_ADU)
        if light is None:
            return None
    return None


@given(st.floats(260.0, 50_000.0))
def test_a_panel_that_is_neither_too_dim_nor_dazzling_needs_two_frames(adu_per_s: float) -> None:
    found = trials(adu_per_s)
    assert found is not None
    number, light = found
    assert number <= 3
    assert LIMITS.minimum_s <= light.exposure_s <= LIMITS.maximum_s


@given(st.floats(120_000.0, 300_000.0), st.floats(0.85, 1.15))
def test_a_dazzling_panel_is_dimmed(adu_per_s: float, bend: float) -> None:
    """A saturated first frame tells little, and panels are not quite as bright as they are told:
    the third frame may be the last trial, and is no worse than the law of the panel makes it.
    """
    limits = Limits(0.01, 120.0, 255.0)
    found = trials(adu_per_s, limits, bend)
    assert found is not None
    assert found[0] <= TRIALS_MAX


def test_a_panel_that_is_too_bright_at_its_shortest_is_dimmed() -> None:
    light = next_light(Light(0.5, 255.0), 50_000.0, ASKED_ADU, LIMITS, saturated=False)
    assert light is not None
    assert light.panel < 255.0
    assert light.exposure_s * light.panel == pytest.approx(0.5 * 255 * ASKED_ADU / 50_000, rel=1e-6)


def test_a_dim_setting_is_brightened_before_it_takes_too_long() -> None:
    light = next_light(Light(1.0, 20.0), 100.0, ASKED_ADU, LIMITS, saturated=False)
    assert light is not None
    assert (light.panel > 20.0, light.exposure_s <= 120.0) == (True, True)


@pytest.mark.parametrize(
    ("taken", "signal", "saturated"),
    [
        (Light(1.0, 255.0), 0.0, False),
        (Light(1.0, 255.0), 100.0, False),
        (Light(0.5, 1.0), 60_000.0, True),
        (Light(0.5, 1.0), 50_000.0, False),
    ],
)
def test_what_no_setting_brings_is_given_up(taken: Light, signal: float, saturated: bool) -> None:
    assert next_light(taken, signal, ASKED_ADU, LIMITS, saturated=saturated) is None


def test_what_did_last_time_is_tried_first() -> None:
    assert first_light(LIMITS, Light(3.0, 80.0)) == Light(3.0, 80.0)


@given(st.floats(0.5, 1.5))
def test_a_level_is_met_to_five_hundredths(part: float) -> None:
    assert on_level(part * ASKED_ADU, ASKED_ADU) == (abs(part * ASKED_ADU / ASKED_ADU - 1) <= 0.05)
    assert TOLERANCE == 0.05


@pytest.mark.parametrize("shape", [(3, 5), (480, 640), (2000, 3000)])
def test_the_level_is_the_median_of_the_frame(shape: tuple[int, int]) -> None:
    pixels = np.random.default_rng(1).normal(25_000, 160, shape).astype(np.uint16)
    pixels[0, 0] = 65_535
    assert level_of(pixels) == pytest.approx(float(np.median(pixels)), abs=1.0)


def test_light_in_a_dark_is_told_and_dark_current_is_borne() -> None:
    assert leak(502.0, 500.0, 300.0, 15.0) == ""
    assert "light leaks in" in leak(516.0, 500.0, 300.0, 15.0)
