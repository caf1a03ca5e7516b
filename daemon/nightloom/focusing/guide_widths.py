"""How wide the guide stars were over a sub: what the air did meanwhile."""

import math
from collections import deque

import numpy as np

FRAMES_LEAST = 5
"""Fewer guide frames in a sub do not tell its seeing."""

FRAMES_KEPT = 4000
"""A sub is measured some time after its end: two hours of guide frames are enough."""


class GuideWidths:
    """The FWHM of the guide stars, frame by frame, for as long as a sub may ask for it."""

    def __init__(self) -> None:
        self._frames: deque[tuple[float, float]] = deque(maxlen=FRAMES_KEPT)

    def saw(self, at_s: float, width_px: float) -> None:
        """Take one guide frame's; NaN without stars."""
        if math.isfinite(width_px) and width_px > 0.0:
            self._frames.append((at_s, width_px))

    def width_px(self, begin_s: float, end_s: float) -> float:
        """The geometric mean between two moments; NaN where too few frames tell it."""
        return self.width(begin_s, end_s)[0]

    def width(self, begin_s: float, end_s: float) -> tuple[float, float]:
        """The same, with its standard error in ln width: a few frames tell little of a sub."""
        logs = [math.log(width) for at_s, width in self._frames if begin_s <= at_s <= end_s]
        if len(logs) < FRAMES_LEAST:
            return math.nan, math.nan
        return math.exp(float(np.mean(logs))), float(np.std(logs, ddof=1)) / math.sqrt(len(logs))
