"""What turns guide frames into stars, their places, and hot pixels."""

from collections.abc import Callable
from dataclasses import dataclass

from nightloom.frames.image import Frame
from nightloom.guiding.centroid import Measurement, measure
from nightloom.guiding.hot_pixels import HotPixels
from nightloom.guiding.stars import GuideStars, find_guide_stars


@dataclass(frozen=True)
class GuideMeasuring:
    """See `find_guide_stars`, `measure`, `HotPixels.learned` and `HotPixels.mended`, in whose place
    each may stand.
    """

    find: Callable[..., GuideStars] = find_guide_stars
    measure: Callable[..., Measurement] = measure
    learned: Callable[..., HotPixels] = HotPixels.learned
    mended: Callable[..., Frame] = HotPixels.mended


OF_GUIDE_PIXELS = GuideMeasuring()
"""What a real guide camera's frames are measured by."""
