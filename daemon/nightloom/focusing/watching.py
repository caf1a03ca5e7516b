"""Where best focus lies through a night, and when to look at it: subs, temperature, occasions."""

import math
from dataclasses import dataclass, replace
from datetime import datetime

from nightloom.focusing import BestFocus, Sharpest, SubSize, Watch
from nightloom.focusing.guide_widths import GuideWidths
from nightloom.focusing.learned import zone_steps
from nightloom.settings import Settings
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Focuser

MOST_OFF_ZONES = 0.4
"""Expected rms at which a look is due: stars of an f/5 rig grow by 10 % at 0.44."""

SOONEST_S = 900.0
"""A look that left much open is not repeated at once."""

SIDE_S = 60.0
"""A filter's subs are taken on one side for so long at least: short ones would move the focuser all
the time."""

SUBS_AWAIT = 64
"""So many subs may wait for being measured, or are forgotten."""

LEAST_C = 0.2
"""Smaller changes of temperature are its sensor's noise."""


@dataclass(frozen=True)
class _Begun:
    """A sub, with where the focuser stood for it, in zones less what its filter is shifted by."""

    filter: str
    place: float


class FocusWatch:
    """What is known of best focus in one night, and what asks for a look at it; a look is a check
    or a whole curve.

    Places are positions of the focuser less the adopted shift of the filter and the temperature.
    """

    def __init__(self, focuser: Focuser, settings: Settings, clock: Clock) -> None:
        self._focuser, self._clock = focuser, clock
        self._policy = settings.policies.focus
        self._observatory = settings.observatory
        filters = settings.observatory.filters
        self.zone_steps = min(zone_steps(settings.observatory, name) for name in filters)
        self._stars = Watch()
        errors = dict.fromkeys(filters, self._policy.offset_error_zones)
        rate = self._policy.drift_zones_per_h
        self._best = BestFocus.begun(clock.unix_s(), errors, rate)
        self._sides: dict[str, int] = {}
        self._side_since_s: dict[str, float] = {}
        self._subs: dict[str, _Begun] = {}
        self._sharpest: Sharpest | None = None
        self._main_px_per_guide_px = math.nan
        self._guide = GuideWidths()
        self._looked_at_s = self._curve_at_s = -math.inf
        self._looked_c = self._reckoned_c = focuser.temperature_c
        self._occasion = self._turned = ""
        self._rests_until_s = -math.inf

    # Where it lies ---------------------------------------------------------------------------

    @property
    def growth(self) -> float:
        """Growth of the stars that nothing but focus explains so far, as a fraction."""
        return self._stars.growth

    @property
    def off_steps(self) -> float:
        """How far from best focus the focuser is expected to be, rms; large before a look."""
        return self._best.off(self._clock.unix_s()) * self.zone_steps

    @property
    def common_steps(self) -> float:
        """Where best focus is expected now without any filter's own."""
        return self._best.common(self._clock.unix_s()) * self.zone_steps

    def place_steps(self, filter_name: str) -> float:
        """Where best focus is expected for a filter now."""
        return self._best.place(filter_name, self._clock.unix_s()) * self.zone_steps

    def assume(self, filter_name: str, place_steps: float) -> None:
        """Take a filter's best focus to be there: nobody knows better."""
        self._best = self._best.assumed(filter_name, place_steps / self.zone_steps)

    def sway_steps(self, filter_name: str) -> int:
        """How far outward of best focus the next sub with a filter is taken: its stars tell."""
        most = self._policy.sway_growth_percent / 100.0
        sway_steps = self._best.sway(self._clock.unix_s(), most) * self.zone_steps
        whole = int(sway_steps)
        if 0.0 < sway_steps < 1.0 and self._best.growth_at(1.0 / self.zone_steps) <= most:
            whole = 1  # else the focuser's steps are too coarse
        return self._side(filter_name) * whole

    def _side(self, filter_name: str) -> int:
        """Filters begin on either side by turns, so that no cycle favours one."""
        return self._sides.setdefault(filter_name, -1 if len(self._sides) % 2 else 1)

    # What tells of it ------------------------------------------------------------------------

    def guide(self, at_s: float, width_px: float) -> None:
        """Take the width of the guide stars in one guide frame; NaN without any."""
        self._guide.saw(at_s, width_px)

    def sub_begins(self, uid: str, filter_name: str, exposure_s: float, place_steps: float) -> None:
        """The shutter opens for a sub; the next one in its filter is taken on the other side."""
        self._subs[uid] = _Begun(filter_name, place_steps / self.zone_steps)
        while len(self._subs) > SUBS_AWAIT:
            del self._subs[next(iter(self._subs))]
        now_s = self._clock.unix_s()
        since_s = self._side_since_s.setdefault(filter_name, now_s)
        if now_s + exposure_s - since_s >= SIDE_S:
            self._sides[filter_name] = -self._side(filter_name)
            del self._side_since_s[filter_name]

    def sub(
        self, uid: str, radius_px: float, airmass: float, began_s: float, exposure_s: float
    ) -> bool:
        """Take the star size of a good sub, as it comes from being measured; whether it tells."""
        begun = self._subs.pop(uid, None)
        if begun is None or not (math.isfinite(radius_px) and radius_px > 0.0):
            return False
        guide = self._guide.width(began_s, began_s + exposure_s)
        middle_s = began_s + exposure_s / 2.0
        seen = SubSize(middle_s, begun.filter, radius_px, airmass, begun.place, *guide)
        self._best, surprise = self._best.saw(seen)
        self._stars = self._stars.saw(middle_s, surprise.growth, surprise.standard)
        return True

    def looked(self, filter_name: str, place_steps: float, error_steps: float) -> None:
        """A check found best focus of a filter there."""
        place, error = place_steps / self.zone_steps, error_steps / self.zone_steps
        self._best = self._best.looked(self._clock.unix_s(), filter_name, place, error)
        self._has_looked()

    def curved(
        self,
        filter_name: str,
        place_steps: float,
        error_steps: float,
        radius_px: float,
        slope_px_per_step: float,
    ) -> None:
        """A curve found best focus of a filter there, stars that large, and growing so fast."""
        place, error = place_steps / self.zone_steps, error_steps / self.zone_steps
        steepness = slope_px_per_step * self.zone_steps / radius_px
        self._best = self._best.curved(self._clock.unix_s(), filter_name, place, error, steepness)
        self._has_looked()
        self._curve_at_s = self._looked_at_s

    def offset_corrected(self, filter_name: str, error_steps: float) -> None:
        """A look measured a filter's own offset, which is adopted; it says nothing of the others.

        Subs taken before belong to where the filter was believed to be.
        """
        now_s, error = self._clock.unix_s(), error_steps / self.zone_steps
        self._best = self._best.adopted(now_s, filter_name, error)
        self._has_looked()

    def looked_in_vain(self) -> None:
        """A curve was refused; who took it asks for another."""
        self._has_looked()

    def recall(
        self,
        filter_name: str,
        place_steps: float,
        looked_utc: datetime,
        curve_utc: datetime,
        steepness_per_step: float,
    ) -> None:
        """Go on from looks that an earlier run of this night took."""
        self._looked_at_s, self._curve_at_s = looked_utc.timestamp(), curve_utc.timestamp()
        place, steepness = place_steps / self.zone_steps, steepness_per_step * self.zone_steps
        begun = replace(self._best, at_s=self._looked_at_s)
        self._best = begun.curved(self._looked_at_s, filter_name, place, 0.0, steepness)

    def forget(self, occasion: str) -> None:
        """Ask for a curve: nothing is known of the focus any more."""
        self._curve_at_s, self._occasion = -math.inf, occasion
        self._best = self._best.forgotten()

    def _has_looked(self) -> None:
        self._stars = self._stars.focused()
        self._looked_at_s = self._clock.unix_s()
        self._looked_c = self._reckoned_c = self._focuser.temperature_c
        self._occasion = self._turned = ""

    # How large stars may be ------------------------------------------------------------------

    def focused(
        self, filter_name: str, radius_px: float, scale_arcsec: float, began_s: float
    ) -> None:
        """A curve that began then, in Unix seconds, was good, with this radius at its minimum, in
        pixels of this scale.
        """
        guide = self._observatory.guide_camera.scale_arcsec_per_px
        self._main_px_per_guide_px = guide / scale_arcsec
        width_px = self._main_px_per_guide_px * self._guide.width_px(began_s, self._clock.unix_s())
        wavelength_nm = self._observatory.filters[filter_name].wavelength_nm
        self._sharpest = Sharpest(radius_px, wavelength_nm, width_px)

    def expected_px(self, filter_name: str, began_s: float, exposure_s: float) -> float:
        """The half-flux radius of a sub in focus that began then, in Unix seconds; NaN unknown."""
        if self._sharpest is None:
            return math.nan
        width_px = self._main_px_per_guide_px * self._guide.width_px(began_s, began_s + exposure_s)
        wavelength_nm = self._observatory.filters[filter_name].wavelength_nm
        return self._sharpest.expected_px(wavelength_nm, width_px)

    # When to look ----------------------------------------------------------------------------

    def expect(self, occasion: str) -> None:
        """Ask for a look, however fresh the last one is."""
        self._occasion = occasion

    def turned(self, occasion: str) -> None:
        """The telescope was turned over, or elsewhere: its weight may have moved the focus."""
        self._best = self._best.disturbed(self._policy.turning_zones)
        self._turned = occasion

    def rest_until(self, until_s: float) -> None:
        """Ask for no look until then, in Unix seconds; sizes of stars are taken all the same."""
        self._rests_until_s = until_s

    def due(self, occasion: str = "") -> str:
        """Why a look is due now; empty when none is.

        An `occasion` asks for one by itself, unless the last look is fresh.
        """
        now_s = self._clock.unix_s()
        if now_s < self._rests_until_s:
            return ""
        fresh = now_s - self._looked_at_s < self._policy.minimum_interval_s
        if self._occasion or (occasion and not fresh):
            return self._occasion or occasion
        if not self._best.known:
            return self._turned
        self._reckon_temperature()
        return self._too_old() or self._grown() or self._unsure()

    def curve_due(self) -> bool:
        """Whether a check will not do: nothing is known yet, or the last curve is too old."""
        return math.isinf(self._curve_at_s) or bool(self._too_old())

    def _reckon_temperature(self) -> None:
        """Focus follows the temperature by a slope that is known so well only: what changes by the
        policy's limit leaves as much open as asks for a look.
        """
        now_c = self._focuser.temperature_c
        if self._reckoned_c is None or now_c is None:
            self._reckoned_c = now_c
            return
        change_c = abs(now_c - self._reckoned_c)
        if change_c >= LEAST_C:
            part = change_c / self._policy.temperature_change_c
            self._best = self._best.disturbed(MOST_OFF_ZONES * math.sqrt(part))
            self._reckoned_c = now_c

    def _unsure(self) -> str:
        since_s = self._clock.unix_s() - self._looked_at_s
        if since_s < SOONEST_S or self.off_steps <= MOST_OFF_ZONES * self.zone_steps:
            return ""
        now_c = self._focuser.temperature_c
        change_c = 0.0 if now_c is None or self._looked_c is None else now_c - self._looked_c
        if abs(change_c) >= self._policy.temperature_change_c:
            return f"the temperature changed by {change_c:+.1f} °C"
        return self._turned or f"focus may have drifted in {since_s / 60.0:.0f} min"

    def _too_old(self) -> str:
        most_s, age_s = self._policy.refocus_after_s, self._clock.unix_s() - self._curve_at_s
        if most_s is None or age_s < most_s or math.isinf(age_s):
            return ""
        return f"the last curve is {age_s / 60.0:.0f} min old"

    def _grown(self) -> str:
        if not self._stars.alarms(self._policy.false_alarms_per_night):
            return ""
        return f"stars grew by {self.growth:.0%}, and not by the air that the guide stars show"
