"""How long a flat must be, and how bright the panel, for the level that is asked for.

A sensor counts light in proportion to its exposure, so one frame that is neither saturated nor
empty tells what the next needs. Signals are medians less that of a bias, in ADU.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

TOLERANCE = 0.05
"""A flat counts whose signal is so near the one asked for, as a part of it."""

TRIALS_MAX = 3
"""Frames of a filter that may miss the level before it is given up."""

FIRST_S = 1.0
"""A first trial; long enough for shutters and short enough for bright panels."""

SHORTER = 8.0
"""A saturated frame only says that it had too much light: the next has so much less."""

ROOM = 2.0
"""A panel is dimmed to where the exposure is so much longer than the shortest, and brightened to
where it is so much shorter than the longest."""


SAMPLE_PX = 1_000_000
"""Pixels that tell a median to a hundredth of a count."""

FULL = 0.95
"""A frame of so much of the saturation level may be full in its brightest part."""


def level_of(pixels: NDArray[np.uint16]) -> float:
    """Median of a frame, (rows, columns) in ADU; of evenly spaced pixels of a large one."""
    stride = max(1, math.isqrt(pixels.size // SAMPLE_PX))
    return float(np.median(pixels[::stride, ::stride]))


@dataclass(frozen=True)
class Limits:
    """Shortest and longest flat, and the panel's highest brightness in its own units."""

    minimum_s: float
    maximum_s: float
    panel_max: float = 0.0


@dataclass(frozen=True)
class Light:
    """Exposure and brightness of the panel (0 for the sky)."""

    exposure_s: float
    panel: float = 0.0


def on_level(signal_adu: float, asked_adu: float) -> bool:
    """Whether a flat has the level asked for."""
    return abs(signal_adu / asked_adu - 1.0) <= TOLERANCE


def first_light(limits: Limits, known: Light | None) -> Light:
    """What to begin with: what did last time, or a second at the panel's highest brightness."""
    if known is not None:
        return known
    return Light(min(max(FIRST_S, limits.minimum_s), limits.maximum_s), limits.panel_max)


def next_light(
    taken: Light, signal_adu: float, asked_adu: float, limits: Limits, *, saturated: bool
) -> Light | None:
    """What brings the level that is asked for, from one frame of a panel; None where nothing does.

    Panels are taken to be about as bright as they are told, which the next frame corrects.
    """
    if saturated:
        if taken.exposure_s > limits.minimum_s:
            return Light(max(taken.exposure_s / SHORTER, limits.minimum_s), taken.panel)
        return _dimmed(taken, taken.exposure_s / SHORTER, limits)
    if signal_adu <= 0:
        return None
    needed_s = taken.exposure_s * asked_adu / signal_adu
    if needed_s < limits.minimum_s:
        return _dimmed(taken, needed_s, limits)
    if needed_s > limits.maximum_s:
        return _brightened(taken, needed_s, limits)
    return Light(needed_s, taken.panel)


def _dimmed(taken: Light, needed_s: float, limits: Limits) -> Light | None:
    """The same light from a dimmer panel over a longer time."""
    aimed_s = min(ROOM * max(limits.minimum_s, 0.01), limits.maximum_s)
    panel = max(1.0, math.floor(taken.panel * needed_s / aimed_s))
    exposure_s = needed_s * taken.panel / panel
    possible = panel < taken.panel and exposure_s <= limits.maximum_s
    return Light(max(exposure_s, limits.minimum_s), panel) if possible else None


def _brightened(taken: Light, needed_s: float, limits: Limits) -> Light | None:
    """The same light from a brighter panel over a shorter time."""
    panel = min(limits.panel_max, math.ceil(taken.panel * needed_s * ROOM / limits.maximum_s))
    if panel <= taken.panel:
        return None
    exposure_s = needed_s * taken.panel / panel
    return Light(exposure_s, panel) if exposure_s <= limits.maximum_s else None
