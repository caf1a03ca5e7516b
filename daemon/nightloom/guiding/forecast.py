"""Where the stars will be in the next guide frame: several forecasters, and the best one is heard.

Each follows the offset that the stars would have without corrections, with another gain, with or
without a learned wave of the gear. Their forecasts are held against what then comes; the one
that erred least lately drives. So the gain suits the air and the mount as they are tonight, and
the wave is used as soon as it helps and no sooner.
"""

import math

import numpy as np
from numpy.typing import NDArray

from nightloom.guiding.periodic_error import PeriodicError

Floats = NDArray[np.float64]

# Gains once the filter has run in. The smallest averages over a minute, the largest hardly at all.
GAINS = (0.04, 0.08, 0.15, 0.25, 0.4, 0.6)
# Of the slope that a filter follows: nearly none, or gain²/(2 − gain), which is best for a steady
# motion (Benedict and Bordner 1962, IRE Transactions on Automatic Control AC-7, 27).
SLOPE_SHARES = (0.02, 1.0)
# Errors of the last minutes count, so that a change of the air is noticed in time.
MEMORY_FRAMES = 120.0
RUN_IN_FRAMES = 10
REFIT_FRAMES = 8
# A single frame this far off is a gust or a satellite; two in a row on one side are a real move.
OUTLIER_SIGMA = 4.5
SCATTER_PX_FIRST = 0.3
# Levels known worse than this many frames' variance give no forecast worth judging.
SURE = 2.0
# Slopes wait until a level is known nearly as well as in the long run.
CALM = 2.0


class Forecast:
    """Follows one axis, whose gear may have one of several periodic errors. Positions and scatters
    in px; times in seconds, rising. ``sky_share``: px on the sky to one of the gear's own.

    The state of k forecasters is in arrays of shape (k,), never NaN once a frame was seen.
    """

    def __init__(self, *periodic_errors: PeriodicError, sky_share: float = 1.0) -> None:
        self._periodic_errors, self._sky_share = periodic_errors, sky_share
        gain, share = (part.ravel() for part in np.meshgrid(GAINS, SLOPE_SHARES))
        self._wave = np.repeat(np.arange(1 + len(periodic_errors)), len(gain))
        """Which wave each forecaster hears, from 1; 0 for none."""
        gain, share = (np.tile(part, 1 + len(periodic_errors)) for part in (gain, share))
        # In units of one frame's variance: a random walk that has this gain in the long run.
        self._walk = gain**2 / (1 - gain)
        self._slope_gain = share * gain**2 / (2 - gain)
        self._gain = gain
        self._variance = np.full(len(gain), 1e4)
        self._level = np.zeros(len(gain))
        self._slope = np.zeros(len(gain))
        self._error = np.full(len(gain), SCATTER_PX_FIRST**2)
        self._first_share = 1.0
        """Of each error, what is still left of the scatter that it began with."""
        # A wave that is known begins.
        known = np.array([False, *(one.amplitude_px > 0 for one in periodic_errors)])[self._wave]
        self._best = int(np.argmin(np.abs(gain - 0.4) + share - 0.01 * known))
        self._at_s = math.nan
        self._frames = 0
        self._stray = 0
        self._jumped_px = 0.0
        self.miss_error_px = math.inf
        """Standard error of the last distance from its forecast."""

    @property
    def scatter_px(self) -> float:
        """How far a frame lies from its forecast, root mean square."""
        return math.sqrt(float(self._error[self._best]))

    @property
    def seeing_px(self) -> float:
        """The part of the scatter that is the air's and the measurement's, not the mount's.

        For a filter whose gain suits, the variance of a frame is its error's times 1 − gain.
        """
        return self.scatter_px * math.sqrt(1 - float(self._gain[self._best]))

    @property
    def air_px(self) -> float:
        """The same without what is left of the scatter that it began with, once frames were judged:
        careful is what guides, and true what is told.
        """
        if self._first_share == 1.0:
            return self.seeing_px
        first = self._first_share * SCATTER_PX_FIRST**2
        own = max(float(self._error[self._best]) - first, 0.0) / (1 - self._first_share)
        return math.sqrt(own * (1 - float(self._gain[self._best])))

    @property
    def gain(self) -> float:
        """The gain of the forecaster that drives."""
        return float(self._gain[self._best])

    @property
    def periodic_error(self) -> PeriodicError | None:
        """The learned periodic error when it drives."""
        heard = int(self._wave[self._best])
        return self._periodic_errors[heard - 1] if heard else None

    @property
    def likeliest_periodic_error(self) -> PeriodicError | None:
        """The one whose forecasters erred least lately, whether it drives or not."""
        if not self._periodic_errors:
            return None
        waves = range(1, 1 + len(self._periodic_errors))
        least = [float(self._error[self._wave == wave].min()) for wave in waves]
        return self._periodic_errors[int(np.argmin(least))]

    @property
    def drift_px_per_s(self) -> float:
        """The steady part of the motion, as the smoothest forecaster sees it."""
        return float(self._slope[len(GAINS) + 1])

    def observe(self, at_s: float, offset_px: float, moved_px: float = 0.0) -> float:
        """Take a frame's offset, without the corrections so far; return its distance from the
        forecast, NaN in a gust or after a bump. What the last correction of ``moved_px`` may
        explain, were its sign wrong, is neither.
        """
        if math.isnan(self._at_s):
            self._at_s, self._level[:] = at_s, offset_px
        forecast = self._ahead(at_s)
        self.miss_error_px = self.scatter_px * math.sqrt(1 + float(self._variance[self._best]))
        miss = offset_px - forecast
        stray, jumped = self._strays(float(miss[self._best]), moved_px)
        sure = float(self._variance[self._best]) < SURE and not stray
        self._follow(at_s, forecast, miss, stray)
        if sure:
            self._judge(miss)
        self._frames += 1
        for one in () if stray else self._periodic_errors:
            one.observe(at_s, (offset_px - self._jumped_px) / self._sky_share)
            if self._frames % REFIT_FRAMES == 0:
                one.refit()
        return math.nan if stray or jumped else float(miss[self._best])

    def _follow(self, at_s: float, forecast: Floats, miss: Floats, stray: bool) -> None:
        """Kalman's step for each level; slopes learn only from what is no jump.

        ``forecast`` and ``miss`` have shape (k,), one a forecaster, and no NaN.
        """
        self._variance += self._walk
        calm = self._variance < CALM * self._gain / (1 - self._gain)
        gain = self._variance / (self._variance + 1)
        if stray:  # the next one tells
            gain = np.zeros_like(gain)
        self._variance *= 1 - gain
        self._level = forecast + gain * miss
        elapsed_s = at_s - self._at_s
        if elapsed_s > 0 and not stray:
            self._slope += np.where(calm, self._slope_gain * miss / elapsed_s, 0.0)
        self._at_s = at_s

    def at(self, at_s: float) -> float:
        """The offset expected at a time to come."""
        return 0.0 if math.isnan(self._at_s) else float(self._ahead(at_s)[self._best])

    def doubt(self, error_px: float) -> None:
        """Something moved the stars by an amount known only this well."""
        self._variance += (error_px / max(self.seeing_px, 1e-3)) ** 2

    def _ahead(self, at_s: float) -> Floats:
        """Each forecaster's offset at a time to come, shape (k,); NaN before the first frame."""
        waves = [0.0, *(one.change_px(self._at_s, at_s) for one in self._periodic_errors)]
        wave = self._sky_share * np.array(waves)[self._wave]
        ahead: Floats = self._level + self._slope * (at_s - self._at_s) + wave
        return ahead

    def _strays(self, miss_px: float, moved_px: float) -> tuple[bool, bool]:
        """Whether this frame is the first one far off, and whether it confirms that one."""
        far = self._frames > RUN_IN_FRAMES and self._variance[self._best] < SURE
        far = far and abs(miss_px) > OUTLIER_SIGMA * self.scatter_px + 2.5 * abs(moved_px)
        side = (1 if miss_px > 0 else -1) if far else 0
        jumped = side != 0 and side == self._stray
        if jumped:
            self._variance += (miss_px / self.scatter_px) ** 2
            self._jumped_px += miss_px
        self._stray = 0 if jumped else side
        return far and not jumped, jumped

    def _judge(self, miss: Floats) -> None:
        """Hold the forecasts against what came, and hear the best one; ``miss`` (k,), no NaN."""
        weight = max(1 / (self._frames + RUN_IN_FRAMES), 1 / MEMORY_FRAMES)
        largest = (OUTLIER_SIGMA * self.scatter_px) ** 2
        self._first_share *= 1 - weight
        self._error += weight * (np.minimum(miss**2, largest) - self._error)
        if self._frames > RUN_IN_FRAMES:
            self._best = int(self._error.argmin())
