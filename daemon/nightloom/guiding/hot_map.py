"""What the guide loop knows of its camera's hot pixels, this night and from earlier ones."""

import math
from contextlib import suppress
from datetime import datetime

from nightloom.executor import Executor
from nightloom.frames.image import Frame
from nightloom.guiding import HotPixels
from nightloom.guiding.hot_pixels import APART_PX
from nightloom.guiding.measuring import OF_GUIDE_PIXELS, GuideMeasuring
from nightloom.ledger import GuideHotPixels, Ledger, LedgerBusy


class HotMap:
    """Learns hot pixels from raw guide frames, mends frames of them, and keeps them."""

    def __init__(
        self, ledger: Ledger, compute: Executor, measuring: GuideMeasuring = OF_GUIDE_PIXELS
    ) -> None:
        self._measuring = measuring
        self._ledger, self._compute = ledger, compute
        self._hot = HotPixels.known((0, 0))
        self._kept: list[tuple[int, int]] = []
        self._place_px: tuple[float, float] | None = None

    def mended(self, image: Frame) -> Frame:
        """The frame (rows, columns) without the hot pixels known so far; NaN is not expected."""
        if self._hot.score.shape != image.shape:
            self._recall(image.shape)
        return self._measuring.mended(self._hot, image)

    def slewed(self) -> None:
        """The next frame shows other stars."""
        self._place_px = None

    async def learn(self, image: Frame, place_px: tuple[float, float]) -> None:
        """Take a raw frame (rows, columns) that was mended, with the place of its stars from
        where they were after the slew. One in which they are where they were says nothing.
        """
        if self._place_px is not None and math.dist(place_px, self._place_px) < APART_PX:
            return
        self._place_px = place_px
        self._hot = await self._compute(self._measuring.learned, self._hot, image)

    def keep(self, at: datetime) -> None:
        """Enter what is new into the ledger; the next time, when another process holds it."""
        places = self._hot.places
        if places != self._kept:
            height, width = self._hot.score.shape
            with suppress(LedgerBusy):
                self._ledger.add_hot_pixels(GuideHotPixels(at, width, height, tuple(places)))
                self._kept = places

    def _recall(self, shape: tuple[int, ...]) -> None:
        kept = self._ledger.hot_pixels(width_px=shape[1], height_px=shape[0])
        self._hot = HotPixels.known(shape, () if kept is None else kept.places)
        self._kept = self._hot.places
