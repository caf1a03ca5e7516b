"""Star measurement as the night asks for it: a plain function that may run in a worker."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from nightloom.frames import SAMPLE_PX, STAR, FrameNotMeasured, StarField, measure
from nightloom.frames.image import Pixels

NOT_MEASURED = StarField(math.nan, math.nan, 0, math.nan, math.nan, math.nan, np.empty(0, STAR))
"""What is known of a frame whose stars are not."""


@dataclass(frozen=True, eq=False)
class Measured:
    """A frame's stars, or why nobody looked for them."""

    stars: StarField = NOT_MEASURED
    unmeasured: str = ""

    @property
    def star_count(self) -> int | None:
        """How many stars it has; None when nobody counted."""
        return None if self.unmeasured else self.stars.count


def measure_frame(data: Pixels, saturation_adu: float) -> StarField:
    """Measure a frame of (rows, columns) ADU, a large one by sample.

    One whose sources cannot be told apart has no stars, and medians that are NaN.
    """
    return _measured(data, saturation_adu, SAMPLE_PX)


def measure_whole(data: Pixels, saturation_adu: float) -> StarField:
    """As `measure_frame`, for those who must know every bright star of (rows, columns)."""
    return _measured(data, saturation_adu, None)


def _measured(data: Pixels, saturation_adu: float, sample_px: int | None) -> StarField:
    """Stars of (rows, columns) ADU; no stars, and NaN, where sources cannot be told apart."""
    try:
        return measure(data, saturation_adu=saturation_adu, sample_px=sample_px)
    except FrameNotMeasured:
        return NOT_MEASURED


@dataclass(frozen=True)
class Measuring:
    """What finds the stars of the main camera's frames, and of frames of which all must be known.

    Each takes a frame and the level, in ADU, from which on it is saturated.
    """

    frame: Callable[..., StarField] = measure_frame
    whole: Callable[..., StarField] = measure_whole


OF_PIXELS = Measuring()
"""What a real camera's frames are measured by."""
