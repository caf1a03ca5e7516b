"""Where best focus lies, as curves, looks and the subs themselves tell: a Kalman filter.

Subs tell because the focuser *sways*: it is put by turns a little outside and a little inside of
where best focus is believed to be, by so little that stars hardly grow. When the believed place is
right, both kinds show stars of one size; when it is not, those on the wrong side are the larger
ones. In control this is extremum seeking (Krstić & Wang 2000, Automatica 36, 595), with a Kalman
filter in place of its high-pass and integrator, since subs are few and the air is loud.

The state, after which covariances are ordered:

    best focus, its rate                      critical focus zones, zones an hour; the rate fades
    what the air does besides                 ln radius; fades within minutes
    the guide optics' own blur                part of their first width², which the night shows
    each filter's level, and its own offset   ln radius in focus; zones

A sub's ln half-flux radius is level + ln seeing, by the guide stars + what the air does besides +
ln growth of a blurred disk, so far from best focus. The growth is a square near best focus, so that
the spread of the belief itself makes stars larger: second order is kept (Jazwinski, Stochastic
Processes and Filtering Theory, 1970, chapter 9).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, isfinite, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from nightloom.focusing.measurement import SubSize, Surprise
from nightloom.focusing.shape import BLURRED_DISK
from nightloom.frames.seeing import SEEING_EXPONENT

Floats = NDArray[np.float64]

CURVATURE = 0.346
"""Of ln growth at best focus: growth(t) ≈ 1 + 0.346 t², with t as `shape` has it."""

_BEST, _RATE, _AIR, _BLUR, _FIRST = 0, 1, 2, 3, 4
_LOOK_ERROR = 0.06  # zones: looks agree no better
_SLIP = 2.5  # standard errors: focus did not drift so far, it jumped
_RATE_FADES_S, _RATE_PART = 5400.0, 0.4  # of the believed rate, once the night is under way
_AIR_GUIDED, _AIR_ALONE = (0.02, 600.0), (0.13, 900.0)  # scatter and fading, s
_SUB_ERROR = 0.015
_BLUR_BELIEVED, _BLUR_SPREAD = 0.4, 0.35
_LEVEL_SPREAD, _FILTER_SPREAD = 10.0, 0.08
_UNKNOWN = 100.0  # zones: nobody has looked
_DOUBT = 10.0  # times the surprise: what is then found is believed nearly whole
_UNTOLD = 0.5  # of the first variance: so little was told of a filter's offset
_CLIP = 3.0  # standard errors: of what is larger the rest is taken for noise
_SCALE_SUBS = 12.0  # the believed scatter weighs as much as so many subs


GROWTH_KNOWN, GROWTH_UNSURE = 0.003, 0.005
"""By how much stars grow for the sway, as a fraction: when best focus is well known, and when not.

More tells more and costs more: stars are larger by 0.4 % in the median, the sway included, where
focus stays, and by 0.6 % where it wanders (100 guided nights, tests/benchmarks/watch.py)."""

_WELL_KNOWN = 0.12  # zones, rms


@dataclass(frozen=True)
class BestFocus:
    """What is believed at a moment.

    `offset_errors` is how well filters' offsets are known at first, in zones. `believed_rate` is
    what to reckon with before anything is known, in zones an hour; with 0 focus is believed to
    stay. `steepness` is how far t goes with a zone of defocus: NaN before a curve.
    """

    offset_errors: Mapping[str, float]
    believed_rate: float
    at_s: float
    mean: Floats
    covariance: Floats
    steepness: float = nan
    moved_s: float = -np.inf
    first_width_px: float = nan
    scale: float = 1.0
    subs: float = _SCALE_SUBS

    @classmethod
    def begun(
        cls, at_s: float, offset_errors: Mapping[str, float], believed_rate: float
    ) -> "BestFocus":
        """Nothing is known but how well filters' offsets are, in zones, by filter."""
        count = len(offset_errors)
        levels = np.full((count, count), _LEVEL_SPREAD**2) + _FILTER_SPREAD**2 * np.eye(count)
        covariance = np.zeros((_FIRST + 2 * count, _FIRST + 2 * count))
        covariance[:_FIRST, :_FIRST] = np.diag(
            [_UNKNOWN**2, believed_rate**2, _AIR_GUIDED[0] ** 2, _BLUR_SPREAD**2]
        )
        covariance[_FIRST : _FIRST + count, _FIRST : _FIRST + count] = levels
        covariance[_FIRST + count :, _FIRST + count :] = np.diag(
            [error**2 for error in offset_errors.values()]
        )
        mean = np.zeros(len(covariance))
        mean[_BLUR] = _BLUR_BELIEVED
        return cls(dict(offset_errors), believed_rate, at_s, mean, covariance)

    @property
    def known(self) -> bool:
        """Whether anybody has looked."""
        return bool(self.covariance[_BEST, _BEST] < 1.0)

    def place(self, filter_name: str, at_s: float) -> float:
        """Where best focus is expected for a filter, less its adopted offset, at a later time."""
        hours = max(0.0, at_s - self.at_s) / 3600.0
        lasting = self._lasting_h(hours)
        return float(self.row(filter_name) @ self.mean + lasting * self.mean[_RATE])

    def common(self, at_s: float) -> float:
        """Where best focus is expected without any filter's own, at a later time."""
        return float(self.at(at_s).mean[_BEST])

    def off(self, at_s: float) -> float:
        """Expected distance from best focus, rms, at a later time, with the focuser following."""
        return sqrt(self.at(at_s).covariance[_BEST, _BEST])

    def sway(self, at_s: float, most_growth: float) -> float:
        """How far either side of best focus the focuser is put, in zones; 0 before a curve."""
        if not isfinite(self.steepness) or not self.known:
            return 0.0
        growth = GROWTH_KNOWN if self.off(at_s) < _WELL_KNOWN else GROWTH_UNSURE
        return sqrt(min(growth, most_growth) / CURVATURE) / self.steepness

    def growth_at(self, away: float) -> float:
        """How much larger stars are so many zones from best focus, as a fraction; NaN unknown."""
        return CURVATURE * (self.steepness * away) ** 2

    def assumed(self, filter_name: str, place: float) -> "BestFocus":
        """Best focus of a filter is taken to be there, which nobody knows."""
        mean = self.mean.copy()
        mean[_BEST] += place - float(self.row(filter_name) @ self.mean)
        return replace(self, mean=mean)

    def forgotten(self) -> "BestFocus":
        """Nobody knows where best focus is any more."""
        covariance = self.covariance.copy()
        covariance[_BEST, :] = covariance[:, _BEST] = 0.0
        covariance[_BEST, _BEST] = _UNKNOWN**2
        return replace(self, covariance=covariance)

    def disturbed(self, by: float) -> "BestFocus":
        """Something may have moved focus by so many zones, rms."""
        covariance = self.covariance.copy()
        covariance[_BEST, _BEST] += by**2
        return replace(self, covariance=covariance)

    def curved(
        self, at_s: float, filter_name: str, place: float, error: float, steepness: float
    ) -> "BestFocus":
        """A curve found best focus of a filter there, and how fast stars grow out of it."""
        found = self.looked(at_s, filter_name, place, error, sure=True)
        return replace(found, steepness=steepness)

    def looked(
        self, at_s: float, filter_name: str, place: float, error: float, *, sure: bool = False
    ) -> "BestFocus":
        """Best focus of a filter was found there, with a standard error; `sure` by a curve.

        What is too far from what was expected did not drift, it jumped, and a curve is right
        whatever was expected.
        """
        later, noise = self.at(at_s), error**2 + _LOOK_ERROR**2
        row = later.row(filter_name)
        news, variance = place - float(row @ later.mean), float(row @ later.covariance @ row)
        if sure or abs(news) > _SLIP * sqrt(variance + noise):
            later = replace(later.doubted(filter_name, news), moved_s=at_s)
            variance = float(row @ later.covariance @ row)
        return later.learned(row, news, variance + noise)

    def adopted(self, at_s: float, filter_name: str, error: float) -> "BestFocus":
        """A filter's own offset was measured by a look, with a standard error, and its place is
        counted by that from now on; an infinite one says that nothing is known of it.
        """
        later, own = self.at(at_s), self.own(filter_name)
        covariance = later.covariance.copy()
        covariance[own, :] = covariance[:, own] = 0.0
        covariance[own, own] = min(error**2 + _LOOK_ERROR**2, 1.0)
        return replace(later, covariance=covariance, moved_s=at_s)

    def saw(self, sub: SubSize) -> tuple["BestFocus", Surprise]:
        """A good sub was measured. One from before focus was last seen to jump says nothing."""
        if not isfinite(self.steepness) or sub.at_s <= self.moved_s:
            return self, Surprise()
        later = self.at(sub.at_s, guided=isfinite(sub.guide_fwhm_px))
        if not isfinite(later.first_width_px) and isfinite(sub.guide_fwhm_px):
            later = replace(later, first_width_px=sub.guide_fwhm_px)
        row, expected, more = later.expected(sub)
        variance = float(row @ later.covariance @ row) + more + later.scale * _SUB_ERROR**2
        news = log(sub.radius_px) - expected
        standard = news / sqrt(variance)
        variance *= max(1.0, abs(standard) / _CLIP)  # Huber
        known = self.covariance[self._level(sub.filter), self._level(sub.filter)] < 1.0
        learned = later.learned(row, news, variance)
        if known:
            subs = min(later.subs + 1.0, 60.0)
            ratio = min(standard**2, _CLIP**2)
            scale = later.scale * (1.0 + (ratio - 1.0) / subs)
            learned = replace(learned, scale=float(np.clip(scale, 0.2, 25.0)), subs=subs)
        return learned, Surprise(news, standard) if known else Surprise()

    # The model ------------------------------------------------------------------------------

    def expected(self, sub: SubSize) -> tuple[Floats, float, float]:
        """The row of derivatives, what is expected, and the variance besides."""
        row = np.zeros(len(self.mean))
        row[self._level(sub.filter)] = row[_AIR] = 1.0
        noise = 0.0
        expected = self.mean[self._level(sub.filter)] + self.mean[_AIR]
        if isfinite(sub.guide_fwhm_px):
            own = self.first_width_px**2
            rest = max(sub.guide_fwhm_px**2 - self.mean[_BLUR] * own, 0.1 * sub.guide_fwhm_px**2)
            expected += 0.5 * log(rest)
            row[_BLUR] = -0.5 * own / rest
            noise = (sub.guide_error * sub.guide_fwhm_px**2 / rest) ** 2
        else:
            expected += SEEING_EXPONENT * log(sub.airmass)
        places = self.row(sub.filter)
        spread = float(places @ self.covariance @ places)
        away = self.steepness * (sub.position - float(places @ self.mean))
        growth = float(BLURRED_DISK.growth(np.array(away)))
        slope = -self.steepness * float(BLURRED_DISK.rise(np.array(away))) / growth
        bend = CURVATURE * self.steepness**2 if abs(away) < 1.0 else 0.0
        row += slope * places
        noise = 2.0 * (bend * spread) ** 2 + noise
        return row, expected + log(growth) + bend * spread, noise

    def doubted(self, filter_name: str, news: float) -> "BestFocus":
        """What is known of the filter's offset, where nothing has told of it yet, or else of best
        focus, is forgotten: it was wrong by as much, and at what rate focus moves is open again.
        """
        covariance, own = self.covariance.copy(), self.own(filter_name)
        untold = covariance[own, own] > _UNTOLD * self.offset_errors[filter_name] ** 2 > 0.0
        wrong = own if self.known and untold else _BEST
        covariance[wrong, :] = covariance[:, wrong] = 0.0
        covariance[wrong, wrong] = (_DOUBT * max(abs(news), 1.0)) ** 2
        if not self.known:  # best focus is that of the first filter that is looked through
            covariance[own, :] = covariance[:, own] = 0.0
        if wrong == _BEST:
            rate = max(covariance[_RATE, _RATE], (_RATE_PART * self.believed_rate) ** 2)
            covariance[_RATE, _RATE] = rate
        return replace(self, covariance=covariance)

    def learned(self, row: Floats, news: float, variance: float) -> "BestFocus":
        gain = self.covariance @ row / variance
        covariance = self.covariance - np.outer(gain, row @ self.covariance)
        return replace(
            self, mean=self.mean + gain * news, covariance=(covariance + covariance.T) / 2.0
        )

    def at(self, at_s: float, guided: bool = True) -> "BestFocus":
        """The belief at a later time; at an earlier one, as it is."""
        hours = max(0.0, at_s - self.at_s) / 3600.0
        if hours == 0.0:
            return self
        on = np.eye(len(self.mean))
        fade = exp(-hours * 3600.0 / _RATE_FADES_S)
        scatter, fades_s = _AIR_GUIDED if guided else _AIR_ALONE
        left = exp(-hours * 3600.0 / fades_s)
        on[_BEST, _RATE], on[_RATE, _RATE], on[_AIR, _AIR] = self._lasting_h(hours), fade, left
        covariance = on @ self.covariance @ on.T
        fresh = (_RATE_PART * self.believed_rate) ** 2 * (1.0 - fade**2)
        covariance[_BEST, _BEST] += fresh * hours**2 / 3.0
        covariance[_BEST, _RATE] += fresh * hours / 2.0
        covariance[_RATE, _BEST] += fresh * hours / 2.0
        covariance[_RATE, _RATE] += fresh
        covariance[_AIR, _AIR] += self.scale * scatter**2 * (1.0 - left**2)
        return replace(self, at_s=at_s, mean=on @ self.mean, covariance=covariance)

    def _lasting_h(self, hours: float) -> float:
        """Hours that the present rate is worth: it fades."""
        fades_h = _RATE_FADES_S / 3600.0
        return fades_h * (1.0 - exp(-hours / fades_h))

    def _level(self, filter_name: str) -> int:
        return _FIRST + list(self.offset_errors).index(filter_name)

    def own(self, filter_name: str) -> int:
        return self._level(filter_name) + len(self.offset_errors)

    def row(self, filter_name: str) -> Floats:
        """What makes a filter's place: best focus, and its own offset."""
        row = np.zeros(len(self.mean))
        row[_BEST] = row[self.own(filter_name)] = 1.0
        return row
