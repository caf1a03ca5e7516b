"""Looks out for clouds, with the guide stars and the frames, and says when to hold and go on."""

import asyncio

from nightloom.clouds import (
    Action,
    CloudPolicy,
    CloudWatch,
    FrameReading,
    GuideReading,
    observe,
    transparency_of,
)
from nightloom.settings import Settings
from nightloom_drivers.clock import Clock

STARS_MIN = 10
"""With fewer in a frame something stands before the sky."""

JUST_NOW_S = 300.0
"""For so long after a dim guide star a frame without its stars is put down to the same cloud."""


class CloudMonitor:
    """The memory of the sky's clarity through one night."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        said = settings.policies.clouds
        self._policy = CloudPolicy(
            hold_fraction=said.hold_fraction,
            clear_fraction=said.resume_fraction,
            clear_for_s=said.clear_for_s,
        )
        self._clock = clock
        self._watch = CloudWatch()
        self._changed = asyncio.Event()
        self.reason = ""
        self.last_dim_s = float("-inf")
        self.transparency = 1.0
        self._seen: dict[str, int] = {}

    @property
    def holding(self) -> bool:
        """Whether it is too cloudy for subs."""
        return self._watch.holding

    def new_stars(self, airmass: float) -> None:
        """Guide stars were chosen anew: what they show now is the standard."""
        self._watch = self._watch.with_new_stars(airmass)

    def new_sky(self) -> None:
        """Forget a hold: somebody has looked, and the stars are there."""
        self._watch = CloudWatch()

    def guide(self, flux_ratio: float, held: int, chosen: int, airmass: float) -> None:
        """Take what one guide frame shows."""
        self._observe(GuideReading(self._clock.unix_s(), flux_ratio, held, chosen, airmass))
        self.transparency = flux_ratio
        if self._watch.dim_since_s is not None:
            self.last_dim_s = self._clock.unix_s()

    def frame(self, transparency: float) -> None:
        """Take what one light frame shows."""
        self._observe(FrameReading(self._clock.unix_s(), transparency))

    def solved(self, target: str, stars: int) -> None:
        """So many stars were in a frame of a target that could be solved."""
        self._seen[target] = max(stars, self._seen.get(target, 0))

    def blames_cloud(self, target: str, stars: int) -> str:
        """Why cloud may be to blame for a frame that could not be solved; empty when it is not."""
        usual = self._seen.get(target)
        if stars < STARS_MIN:
            return f"it holds {stars} stars"
        if usual and transparency_of(stars, usual) < self._policy.hold_fraction:
            return f"it holds {stars} stars where {usual} were seen"
        if self.holding or self._clock.unix_s() - self.last_dim_s < JUST_NOW_S:
            return "and the guide stars are dim"
        return ""

    async def until_clouded(self) -> str:
        """Wait for a hold, and say why."""
        while not self.holding:
            await self._change()
        return self.reason

    async def until_clear(self) -> None:
        """Wait for the end of a hold."""
        while self.holding:
            await self._change()

    async def _change(self) -> None:
        self._changed.clear()
        await self._changed.wait()

    def _observe(self, reading: GuideReading | FrameReading) -> None:
        self._watch, decision = observe(self._watch, reading, self._policy)
        self.reason = decision.reason
        if decision.action is not Action.GO_ON:
            self._changed.set()
