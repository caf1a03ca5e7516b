"""Looks out for clouds, with the guide stars and the frames, and says when to hold and go on."""

import asyncio
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from math import inf, nan

from nightloom.clouds import (
    Action,
    Cause,
    CloudPolicy,
    CloudWatch,
    FrameReading,
    GuideLight,
    GuideReading,
    Held,
    SkyLook,
    SubSoFar,
    Unsolved,
    UnsolvedFacts,
    WorthPolicy,
    cause_of,
    going_on_is_worth,
    observe,
    transparency_at,
    why_unsolved,
)
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import SkyChanged
from nightloom_drivers.clock import Clock

JUST_NOW_S = 300.0
"""For so long after a dim guide star a frame without its stars is put down to the same cloud."""

UNSEEN_S = 15.0
"""A gust hides all stars for less; a cloud that hides them stays."""

FRESH_S = 60.0
"""Guide stars that were read so lately say more of the sky than a frame that has come down."""

LOOK_EVERY_S, LOOKS = 60.0, 240
"""How often the guide stars have a say in what dims the sky, and how many looks are remembered."""

READINGS_MIN = 3
"""Guide frames of a sub before it may be cut: fewer may all be wrong."""


class CloudMonitor:
    """The memory of the sky's clarity through one night."""

    def __init__(self, settings: Settings, clock: Clock, log: Log) -> None:
        said = settings.policies.clouds
        self._policy = CloudPolicy(
            hold_fraction=said.hold_fraction,
            clear_fraction=said.resume_fraction,
            clear_for_s=said.clear_for_s,
            accept_fraction=transparency_at(said.maximum_extinction_mag),
        )
        self._worth = WorthPolicy(self._policy.accept_fraction)
        self._clock, self._log = clock, log
        self._watch = CloudWatch()
        self._changed = asyncio.Event()
        self._sub: tuple[float, GuideLight] | None = None
        self._subs: dict[str, tuple[int, float]] = {}
        """Each sub's mean flux ratio, and the number of the set of guide stars that it is of."""
        self._levels = [1.0]
        """What each set of guide stars shows under a clear sky, as far as is known."""
        self._moving = 0
        self._seen_s = -inf
        self.reason = ""
        self.last_dim_s = -inf
        self._lost_since_s: float | None = None
        """Since when no sub could be taken for the sky; None while they are."""
        self._here_since_s = -inf
        self._thin_since_s: float | None = None
        self.stars_were_lost = False
        """Whether no guide star was held in some frame since the latest sub began."""
        self._seen: dict[str, int] = {}
        self._usual_radius_px: float | None = None
        self._looks: deque[SkyLook] = deque(maxlen=LOOKS)
        self.cause = Cause.CLEAR

    @property
    def holding(self) -> bool:
        """Whether it is too cloudy for subs."""
        return self._watch.holding

    @property
    def transparency(self) -> float:
        """What the sky lets through now of a clear sky's light, as far as the guide stars know."""
        return self._watch.now

    def new_stars(self, airmass: float) -> None:
        """Guide stars were chosen anew: what they show now is the standard."""
        self._watch = self._watch.with_new_stars(airmass)
        self._levels.append(1.0)

    def new_sky(self) -> None:
        """Forget a hold: somebody has looked, and the stars are there."""
        self._watch = CloudWatch()
        self._levels.append(1.0)

    @property
    def held(self) -> Held:
        """How long the sky has held subs up, up to now."""
        now_s = self._clock.unix_s()
        lost_s = now_s if self._lost_since_s is None else self._lost_since_s
        thin_s = now_s if self._thin_since_s is None else self._thin_since_s
        here_s = max(lost_s, self._here_since_s)
        return Held(now_s - lost_s, now_s - here_s, now_s - thin_s, self.holding)

    def waits(self) -> None:
        """From now on no sub is taken for the sky, if that was not so already."""
        if self._lost_since_s is None:
            self._lost_since_s = self._clock.unix_s()

    def tries_elsewhere(self) -> None:
        """How long a target has waited is counted from now on."""
        self._here_since_s = self._clock.unix_s()

    # Subs -------------------------------------------------------------------------------------

    def sub_begins(self, exposure_s: float) -> None:
        """The shutter has opened: from now on what cloud does to this sub is reckoned."""
        self._sub = exposure_s, GuideLight.since(self._clock.unix_s())
        self._policy = replace(self._policy, sub_s=exposure_s)  # one like it waits in a hold
        self._lost_since_s = None
        self.stars_were_lost = False

    def sub_ends(self, uid: str = "") -> float | None:
        """The shutter has closed; the mean transparency since it opened, None when not guided."""
        if self._sub is None:
            return None
        (_, light), self._sub = self._sub, None
        if light.mean is None:
            return None
        self._subs[uid] = len(self._levels) - 1, light.mean
        return light.mean / self._watch.clear_level

    def guides(self) -> dict[str, float]:
        """What the guide stars make of tonight's subs by now, having seen a clearer sky since."""
        return {uid: ratio / self._levels[stars] for uid, (stars, ratio) in self._subs.items()}

    @contextmanager
    def undisturbed(self) -> Iterator[None]:
        """Meanwhile no cloud cuts in: for a move of seconds that must not be left half done."""
        self._moving += 1
        try:
            yield
        finally:
            self._moving -= 1
            self._changed.set()

    # What is seen -----------------------------------------------------------------------------

    def guide(self, flux_ratio: float, held: int, chosen: int, airmass: float) -> None:
        """Take what one guide frame shows."""
        now_s = self._clock.unix_s()
        self._observe(GuideReading(now_s, flux_ratio, held, chosen, airmass))
        self._levels[-1] = self._watch.clear_level
        if self._watch.dim_since_s is not None:
            self.last_dim_s = now_s
        if self.transparency < self._policy.hold_fraction:
            self._thin_since_s = None
        elif self._thin_since_s is None:
            self._thin_since_s = now_s
        if not self._looks or now_s - self._looks[-1].time_s >= LOOK_EVERY_S:
            self._look(now_s)
        if held:
            self._seen_s = now_s
        else:
            self.stars_were_lost = True
        if held or now_s - self._seen_s >= UNSEEN_S:
            self._reckon(now_s)

    def frame(self, look: SkyLook) -> None:
        """Take what one light frame shows: for a hold only where the guide stars show nothing."""
        last_s = self._watch.last_s
        if last_s is None or self._clock.unix_s() - last_s > FRESH_S:
            self._observe(FrameReading(self._clock.unix_s(), look.transparency))
        self._name(look)

    def solved(self, target: str, stars: int, radius_px: float) -> None:
        """So many stars, of such a half-flux radius, were in a frame that was solved."""
        self._seen[target] = max(stars, self._seen.get(target, 0))
        self._usual_radius_px = radius_px

    def why_unsolved(
        self, target: str, stars: int, radius_px: float, rise_adu: float | None
    ) -> tuple[Unsolved, str]:
        """What is to blame for frames of a target that could not be solved, and in words."""
        dim = self.holding or self._clock.unix_s() - self.last_dim_s < JUST_NOW_S
        facts = UnsolvedFacts(
            stars, radius_px, rise_adu, self._seen.get(target), self._usual_radius_px, dim
        )
        return why_unsolved(facts, self._policy.hold_fraction)

    def _look(self, now_s: float) -> None:
        """Let the guide stars have a say in what dims the sky."""
        before = self._looks[-1] if self._looks else SkyLook(now_s, 1.0)
        self._name(replace(before, time_s=now_s, transparency=self.transparency, growth=nan))

    def _name(self, look: SkyLook) -> None:
        """Remember a look at the sky, and say so when another cause dims it than before."""
        self._looks.append(look)
        cause = cause_of(self._looks)
        if cause is not self.cause:
            self.cause = cause
            self._log.emit(SkyChanged(cause=cause, lost_mag=max(0.0, look.lost_mag), lit=look.lit))

    # What follows -----------------------------------------------------------------------------

    async def until_clouded(self) -> str:
        """Wait for a hold, and say why."""
        while not self.holding or self._moving:
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
        """While a sub is open its own light decides, and no single level."""
        policy = self._policy if self._sub is None else replace(self._policy, dim_for_s=inf)
        self._watch, decision = observe(self._watch, reading, policy)
        self._decided(decision.action, decision.reason)

    def _reckon(self, now_s: float) -> None:
        """Add the latest reading to the sub that is open, and hold if it is not worth its end."""
        if self._sub is None:
            return
        exposure_s, light = self._sub
        light = light.add(now_s, self._watch.ratios[-1])
        self._sub = exposure_s, light
        if self.holding or light.mean is None or light.readings < READINGS_MIN:
            return
        mean, now = light.mean / self._watch.clear_level, self._watch.now
        so_far = SubSoFar(exposure_s, min(light.exposed_s, exposure_s), mean)
        if not going_on_is_worth(so_far, now, self._worth):
            self._watch = replace(self._watch, holding=True, clear_since_s=None)
            text = f"{mean:.2f} of clear in {light.exposed_s:.0f} s of a sub, {now:.2f} now"
            self._decided(Action.HOLD, text)

    def _decided(self, action: Action, reason: str) -> None:
        self.reason = reason
        if action is Action.GO_ON:
            return
        if action is Action.HOLD and self._lost_since_s is None:
            self.waits()
            if self._watch.ratios:
                self._look(self._clock.unix_s())
        self._changed.set()
