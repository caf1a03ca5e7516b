"""The guide stars: which ones, where they are, lost and found, and hot pixels among them."""

from collections.abc import Callable

from nightloom.executor import Executor
from nightloom.frames.image import Frame
from nightloom.guiding import (
    GuideStars,
    Measurement,
    is_doubtful,
    nothing_held,
    recovered_shift,
    sharpened,
    too_few,
    with_hold_point_of,
)
from nightloom.guiding.devices import GuideFrame
from nightloom.guiding.hot_map import HotMap
from nightloom.guiding.measuring import OF_GUIDE_PIXELS, GuideMeasuring
from nightloom.guiding.readings import NotGuiding
from nightloom.settings.observatory import GuideCamera
from nightloom.telemetry import Log
from nightloom.telemetry.events import StarsSeenAgain, StarsUnseen

STARS_MAX = 12
"""More stars average the air a little better, and cost time in every frame."""

WINDOW_PX = 14
"""Half width of a star's window: a large dither, or a gust, stays inside it."""

LONGER_AFTER, LONGEST = 3, 4.0
"""Frames without a star before each next one is exposed twice as long, up to so many times."""


class HeldStars:
    """The stars held from one slew to the next, chosen from its first frame by `choose`."""

    def __init__(
        self,
        chip: GuideCamera,
        unseen_frames_max: int,
        hot_map: HotMap,
        compute: Executor,
        log: Log,
        measuring: GuideMeasuring = OF_GUIDE_PIXELS,
    ) -> None:
        self._measuring = measuring
        self._chip, self._unseen_frames_max = chip, unseen_frames_max
        self._hot_map, self._compute, self._log = hot_map, compute, log
        self._stars: GuideStars
        self._near_px = (0.0, 0.0)
        """Where the stars were seen last, from the hold point."""
        self._hold_px = (0.0, 0.0)
        """Where the hold point is, from where the stars were after the slew."""
        self._unseen = 0
        self.times_longer = 1.0
        """How many times the usual exposure the next frame wants."""

    async def choose(self, frame: GuideFrame) -> None:
        """Choose them in the first frame after a slew. Raises NotGuiding when none is fit."""
        self._hot_map.slewed()
        await self._hot_map.learn(frame.raw, self._hold_px)
        self._stars = await self._choose_in(self._hot_map.mended(frame.raw))
        if not len(self._stars):
            raise NotGuiding("no star on the guide camera is fit to guide on")

    def __len__(self) -> int:
        return len(self._stars)

    @property
    def brightest_snr(self) -> float:
        """Signal to noise of the brightest in the frame that it was chosen in."""
        return float(self._stars.snr[0])

    @property
    def are_lost(self) -> bool:
        """Whether none was seen for too long to follow them blindly."""
        return self._unseen >= self._unseen_frames_max

    def move_hold_point(self, dx_px: float, dy_px: float) -> None:
        """The hold point moves, and the stars are expected to be led after it."""
        self._stars = self._stars.shifted(dx_px, dy_px)
        self._hold_px = (self._hold_px[0] + dx_px, self._hold_px[1] + dy_px)

    def not_led(self, dx_px: float, dy_px: float) -> None:
        """The hold point moved so far, and the stars are where they were."""
        self._near_px = (self._near_px[0] - dx_px, self._near_px[1] - dy_px)

    async def look(self, frame: GuideFrame) -> Measurement:
        """Measure where they were last, and look everywhere when they are not there."""
        seen = self._measure(frame.image)
        if not seen.held:
            find, full_adu = self._measuring.find, self._chip.saturation_adu
            moved_px = await self._compute(_search, find, frame.image, self._stars, full_adu)
            if moved_px is not None:
                self._near_px = moved_px
                seen = self._measure(frame.image)
        self._count_unseen(seen)
        return seen

    async def look_near(self, frame: GuideFrame) -> Measurement:
        """Measure where they were last, while they are moved by known pulses."""
        seen = self._measure(frame.image)
        await self._learn_hot_pixels(frame, seen)
        return seen

    async def tend(self, frame: GuideFrame, seen: Measurement) -> None:
        """Keep the set good: sharpen references, replace what has wandered off."""
        await self._learn_hot_pixels(frame, seen)
        self._stars = sharpened(self._stars, seen)
        if too_few(seen) and self.times_longer == 1.0:
            chosen = await self._choose_in(frame.image)
            if len(chosen) > seen.held:
                self._stars = with_hold_point_of(seen, chosen)

    def _measure(self, image: Frame) -> Measurement:
        """Measure (rows, columns) near the last place, and believe no star that may be another."""
        measure = self._measuring.measure
        seen = measure(image, self._stars, radius_px=WINDOW_PX, near_px=self._near_px)
        if is_doubtful(seen, self._near_px):
            seen = nothing_held(len(self._stars))
        if seen.held:
            self._near_px = (seen.dx_px, seen.dy_px)
        return seen

    def _count_unseen(self, seen: Measurement) -> None:
        """Ask for longer exposures when nothing is seen for a while, and say when stars go and
        come.
        """
        if seen.held:
            if self.are_lost:
                self._log.emit(StarsSeenAgain(frames=self._unseen))
            self._unseen, self.times_longer = 0, 1.0
            return
        self._unseen += 1
        if self._unseen == self._unseen_frames_max:
            self._log.emit(StarsUnseen(frames=self._unseen))
        if self._unseen >= LONGER_AFTER:
            self.times_longer = min(2 * self.times_longer, LONGEST)

    async def _learn_hot_pixels(self, frame: GuideFrame, seen: Measurement) -> None:
        """What still shines where stars have moved on is none."""
        if seen.held:
            place_px = (self._hold_px[0] + seen.dx_px, self._hold_px[1] + seen.dy_px)
            await self._hot_map.learn(frame.raw, place_px)

    async def _choose_in(self, image: Frame) -> GuideStars:
        """Choose stars in a frame (rows, columns)."""
        chip, find = self._chip, self._measuring.find
        levels = chip.saturation_adu, chip.gain_e_per_adu
        return await self._compute(_choose_stars, find, image, *levels)


def _choose_stars(
    find: Callable[..., GuideStars], image: Frame, saturation_adu: float, gain_e_per_adu: float
) -> GuideStars:
    """Guide stars of a frame (rows, columns); length 0 where it has none."""
    return find(
        image,
        saturation_adu=saturation_adu,
        count_max=STARS_MAX,
        margin_px=2 * WINDOW_PX,
        gain_e_per_adu=gain_e_per_adu,
    )


def _search(
    find: Callable[..., GuideStars], image: Frame, stars: GuideStars, saturation_adu: float
) -> tuple[float, float] | None:
    """How far the stars have moved in (rows, columns): (dx, dy) in px; None when not found."""
    return recovered_shift(image, stars, saturation_adu=saturation_adu, find=find)
