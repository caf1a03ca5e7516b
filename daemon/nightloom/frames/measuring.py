"""Star measurement as the night asks for it: a plain function that may run in a worker."""

import math

import numpy as np
from numpy.typing import NDArray

from nightloom.frames import SAMPLE_PX, STAR, FrameNotMeasured, StarField, measure

NOT_MEASURED = StarField(math.nan, math.nan, 0, math.nan, math.nan, math.nan, np.empty(0, STAR))
"""What is known of a frame whose stars are not."""


def measure_frame(data: NDArray[np.uint16], saturation_adu: float) -> StarField:
    """Measure a frame, a large one by sample; one that cannot be measured has no stars."""
    return _measured(data, saturation_adu, SAMPLE_PX)


def measure_whole(data: NDArray[np.uint16], saturation_adu: float) -> StarField:
    """Measure all of a frame, for those who must know every bright star of it."""
    return _measured(data, saturation_adu, None)


def _measured(data: NDArray[np.uint16], saturation_adu: float, sample_px: int | None) -> StarField:
    try:
        return measure(data, saturation_adu=saturation_adu, sample_px=sample_px)
    except FrameNotMeasured:
        return NOT_MEASURED
