"""What the guide loop knows of its camera's hot pixels."""

import math
from typing import Any

from numpy.typing import NDArray

from nightloom.arithmetic import Arithmetic
from nightloom.guiding import HotPixels
from nightloom.guiding.hot_pixels import APART_PX


class HotMap:
    """Learns hot pixels from raw guide frames, and mends frames of them."""

    def __init__(self, compute: Arithmetic) -> None:
        self._compute = compute
        self._hot: HotPixels | None = None
        self._place_px: tuple[float, float] | None = None

    def mended(self, image: NDArray[Any]) -> NDArray[Any]:
        """The frame without the hot pixels known so far."""
        return image if self._hot is None else self._hot.mended(image)

    def slewed(self) -> None:
        """The next frame shows other stars."""
        self._place_px = None

    async def learn(self, image: NDArray[Any], place_px: tuple[float, float]) -> None:
        """Take a raw frame, with the place of its stars from where they were after the slew.

        One in which they are where they were says nothing.
        """
        if self._place_px is not None and math.dist(place_px, self._place_px) < APART_PX:
            return
        self._place_px = place_px
        if self._hot is None or self._hot.score.shape != image.shape:
            self._hot = HotPixels.known(image.shape)
        self._hot = await self._compute(HotPixels.learned, self._hot, image)
