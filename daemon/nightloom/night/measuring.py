"""Star measurement as the night asks for it: a plain function that may run in a worker."""

import math

import numpy as np
from numpy.typing import NDArray

from nightloom.frames import STAR, FrameNotMeasured, StarField, measure


def measure_frame(data: NDArray[np.uint16], saturation_adu: float) -> StarField:
    """Measure a frame; one that cannot be measured counts as one without stars."""
    try:
        return measure(data, saturation_adu=saturation_adu)
    except FrameNotMeasured:
        nan = math.nan
        return StarField(nan, nan, 0, nan, nan, nan, np.empty(0, STAR))
