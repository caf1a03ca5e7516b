"""When to look at the focus: star sizes, temperature, drift since the last look, and occasions."""

import math
from collections import deque
from datetime import datetime

import numpy as np

from nightloom.focusing import Drift, Sharpest, SubSize, Watch
from nightloom.focusing.learned import zone_steps
from nightloom.settings import Settings
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Focuser

GUIDE_FRAMES_LEAST = 5
"""Fewer guide frames in a sub do not tell its seeing."""

GUIDE_FRAMES_KEPT = 4000
"""A sub is measured some time after its end: two hours of guide frames are enough."""


class FocusWatch:
    """What asks for a look at the focus through one night; a look is a check or a whole curve."""

    def __init__(self, focuser: Focuser, settings: Settings, clock: Clock) -> None:
        self._focuser, self._clock = focuser, clock
        self._policy = settings.policies.focus
        observatory = settings.observatory
        self._zone_steps = min(zone_steps(observatory, name) for name in observatory.filters)
        self._stars = Watch()
        self._drift: Drift | None = None
        self._followed_steps = 0.0
        self._observatory = observatory
        self._sharpest: Sharpest | None = None
        self._main_px_per_guide_px = math.nan
        self._guide: deque[tuple[float, float]] = deque(maxlen=GUIDE_FRAMES_KEPT)
        self._looked_at_s = self._curve_at_s = -math.inf
        self._looked_c: float | None = None
        self._occasion = ""
        self._rests_until_s = -math.inf

    @property
    def growth(self) -> float:
        """Growth of the stars that nothing but focus explains so far, as a fraction."""
        return self._stars.growth

    @property
    def drift_steps(self) -> float:
        """What the focuser has followed a steady drift by this night, outward positive."""
        if self._drift is None:
            return self._followed_steps
        zones = self._drift.shift_at(self._clock.unix_s())
        return self._followed_steps + self._zone_steps * zones

    def guide(self, at_s: float, width_px: float) -> None:
        """Take the width of the guide stars in one guide frame; NaN without any."""
        if math.isfinite(width_px) and width_px > 0.0:
            self._guide.append((at_s, width_px))

    def sub(
        self,
        filter_name: str,
        radius_px: float,
        airmass: float,
        started_at: datetime,
        exposure_s: float,
        pointing: int,
    ) -> None:
        """Take the star size of a good sub, as it comes from being measured."""
        if math.isfinite(radius_px) and radius_px > 0.0:
            began_s = started_at.timestamp()
            width_px = self._guide_width_px(began_s, began_s + exposure_s)
            middle_s = began_s + exposure_s / 2.0
            self._stars = self._stars.saw(
                SubSize(middle_s, filter_name, radius_px, airmass, width_px, pointing)
            )

    def focused(
        self, filter_name: str, radius_px: float, scale_arcsec: float, began_s: float
    ) -> None:
        """A curve that began then, in Unix seconds, was good, with this radius at its minimum, in
        pixels of this scale.
        """
        guide = self._observatory.guide_camera.scale_arcsec_per_px
        self._main_px_per_guide_px = guide / scale_arcsec
        width_px = self._main_px_per_guide_px * self._guide_width_px(began_s, self._clock.unix_s())
        wavelength_nm = self._observatory.filters[filter_name].wavelength_nm
        self._sharpest = Sharpest(radius_px, wavelength_nm, width_px)

    def expected_px(self, filter_name: str, began_s: float, exposure_s: float) -> float:
        """The half-flux radius of a sub in focus that began then, in Unix seconds; NaN unknown."""
        if self._sharpest is None:
            return math.nan
        width_px = self._main_px_per_guide_px * self._guide_width_px(began_s, began_s + exposure_s)
        wavelength_nm = self._observatory.filters[filter_name].wavelength_nm
        return self._sharpest.expected_px(wavelength_nm, width_px)

    def expect(self, occasion: str) -> None:
        """Ask for a look, however fresh the last one is."""
        self._occasion = occasion

    def rest_until(self, until_s: float) -> None:
        """Ask for no look until then, in Unix seconds; sizes of stars are taken all the same."""
        self._rests_until_s = until_s

    def due(self, occasion: str = "") -> str:
        """Why a look is due now; empty when none is.

        An `occasion` asks for one by itself, unless the last look is fresh.
        """
        if self._clock.unix_s() < self._rests_until_s:
            return ""
        fresh = self._clock.unix_s() - self._looked_at_s < self._policy.minimum_interval_s
        if self._occasion or (occasion and not fresh):
            return self._occasion or occasion
        return self._too_old() or self._too_cold() or self._grown() or self._unsure()

    def curve_due(self) -> bool:
        """Whether a check will not do: nothing is known yet, or the last curve is too old."""
        return math.isinf(self._curve_at_s) or bool(self._too_old())

    def looked(
        self, *, moved: bool, curve: bool, found_steps: float, error_steps: float, left_steps: float
    ) -> None:
        """The focus was looked at, and is right now, as well as one can tell.

        Best focus was found so far from where the focuser belonged, NaN when it was not, and a part
        that is not sure enough was left.
        """
        self._learn(found_steps, error_steps, left_steps)
        self._stars = self._stars.focused(moved)
        self._looked_at_s, self._looked_c = self._clock.unix_s(), self._focuser.temperature_c
        self._occasion = ""
        if curve:
            self._curve_at_s = self._looked_at_s

    def recall(
        self, looked_utc: datetime, curve_utc: datetime, temperature_c: float | None
    ) -> None:
        """Go on from looks that an earlier run of this night took."""
        self._looked_at_s, self._looked_c = looked_utc.timestamp(), temperature_c
        self._curve_at_s = curve_utc.timestamp()
        self._drift = Drift.begun(self._looked_at_s, self._policy.drift_zones_per_h)

    def forget(self, occasion: str) -> None:
        """Ask for a curve: nothing is known of the focus any more."""
        self._curve_at_s, self._occasion = -math.inf, occasion

    def _learn(self, found_steps: float, error_steps: float, left_steps: float) -> None:
        self._followed_steps, now_s = self.drift_steps, self._clock.unix_s()
        if self._drift is None or not math.isfinite(found_steps):
            self._drift = Drift.begun(now_s, self._policy.drift_zones_per_h)
        else:
            zones = [s / self._zone_steps for s in (found_steps, error_steps, left_steps)]
            self._drift = self._drift.looked(now_s, *zones)

    def _unsure(self) -> str:
        now_s = self._clock.unix_s()
        if self._drift is None or now_s < self._drift.due_s:
            return ""
        return f"focus may have drifted in {(now_s - self._looked_at_s) / 60.0:.0f} min"

    def _too_old(self) -> str:
        most_s, age_s = self._policy.refocus_after_s, self._clock.unix_s() - self._curve_at_s
        if most_s is None or age_s < most_s or math.isinf(age_s):
            return ""
        return f"the last curve is {age_s / 60.0:.0f} min old"

    def _too_cold(self) -> str:
        now_c = self._focuser.temperature_c
        if now_c is None or self._looked_c is None:
            return ""
        change_c = now_c - self._looked_c
        enough = abs(change_c) >= self._policy.temperature_change_c
        return f"the temperature changed by {change_c:+.1f} °C" if enough else ""

    def _grown(self) -> str:
        if not self._stars.alarms(self._policy.false_alarms_per_night):
            return ""
        return f"stars grew by {self.growth:.0%}, and not by the air that the guide stars show"

    def _guide_width_px(self, begin_s: float, end_s: float) -> float:
        logs = [math.log(width) for at_s, width in self._guide if begin_s <= at_s <= end_s]
        return math.exp(float(np.mean(logs))) if len(logs) >= GUIDE_FRAMES_LEAST else math.nan
