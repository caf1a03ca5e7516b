"""From an error on the guide camera to guide pulses."""

import math
from dataclasses import dataclass, replace

from nightloom.guiding.backlash import Backlash
from nightloom.guiding.calibration import Calibration, cos_declination
from nightloom.guiding.forecast import Forecast
from nightloom.guiding.periodic_error import PeriodicError
from nightloom.guiding.pulses import Pulses
from nightloom.guiding.response import Response

# A moved telescope is placed to about this part of the way, and of the backlash it went through.
WAY_ERROR, BACKLASH_ERROR = 0.04, 0.15
# Declination turns round for an error this many times the seeing, or this many when the drift
# brings it back anyway: each turn costs the backlash, whose width is known roughly only.
TURN_SEEING, TURN_SEEING_DRIFTING = 0.8, 2.5
# A drift that moves the stars by less than this part of the seeing in a minute has no sign.
DRIFT_SEEING_PER_MIN = 0.2
# An axis that follows by less than this part of the way, either way round, had better rest.
FOLLOWS_LEAST = 0.3


@dataclass(frozen=True)
class GuidePolicy:
    """Errors under ``least_move_px`` and pulses under ``pulse_min_ms`` are left alone; no pulse
    between two frames is longer than ``pulse_max_ms``.
    """

    least_move_px: float = 0.04
    pulse_min_ms: int = 10
    pulse_max_ms: int = 2000


class Axis:
    """One axis: what it was moved by, where it would be without, and where it will be."""

    def __init__(self, rate_px_per_s: float, backlash_px: float, forecast: Forecast) -> None:
        self.forecast = forecast
        self.response = Response()
        self.rests = False
        self.rate_px_per_s = rate_px_per_s
        self._backlash = Backlash(backlash_px)
        self._moved_px = 0.0
        self._lately_px = 0.0
        self._turned_px = 0.0  # the backlash that the last pulse went through

    def observe(self, at_s: float, error_px: float) -> None:
        """Take the error of a frame."""
        explained_px = abs(self._lately_px) + abs(self._turned_px)
        miss_px = self.forecast.observe(at_s, error_px - self._moved_px, explained_px)
        if math.isnan(miss_px):
            pass
        elif self._turned_px:
            self._backlash.turned(math.copysign(1.0, self._turned_px) * miss_px)
        else:
            self.response.add(self._lately_px, miss_px, self.forecast.miss_error_px)
        self._lately_px = self._turned_px = 0.0

    def expected_px(self, at_s: float) -> float:
        """The error to come when nothing is done."""
        return self.forecast.at(at_s) + self._moved_px

    def shift(self, by_px: float) -> None:
        """The hold point moved, and the error with it."""
        self._moved_px -= by_px

    def pulse_ms(self, wanted_px: float) -> int:
        """The pulse that moves the stars so far, through the backlash if need be."""
        if wanted_px == 0.0 or self.rests:
            return 0
        side = 1 if wanted_px > 0 else -1
        # A little short: what is missing is seen and made up, what is too much turns round again.
        ahead_px = (1 - BACKLASH_ERROR) * self._backlash.ahead_px(side)
        return round(1000 * (wanted_px + side * ahead_px) / self.rate_px_per_s)

    def pulsed(self, pulse_ms: float) -> None:
        """A pulse was given, positive in the direction that the rate was measured in."""
        if pulse_ms == 0:
            return
        side = 1 if pulse_ms > 0 else -1
        motor_px = pulse_ms / 1000 * self.rate_px_per_s
        ahead_px = self._backlash.ahead_px(side)
        moved_px = self._backlash.turn(motor_px)
        if ahead_px > 0 and moved_px:
            self._turned_px = side * ahead_px
        self._moved_px += moved_px
        self._lately_px += moved_px
        doubt_px = math.hypot(WAY_ERROR * moved_px, BACKLASH_ERROR * min(ahead_px, abs(motor_px)))
        if doubt_px > self.forecast.seeing_px / 4:
            self.forecast.doubt(doubt_px)

    @property
    def backlash_px(self) -> float:
        """The backlash as learned so far."""
        return self._backlash.width_px

    def turns_for(self, wanted_px: float) -> bool:
        """Whether a correction is worth turning the motor round for, if it has to turn."""
        side = 1 if wanted_px > 0 else -1
        if self._backlash.ahead_px(side) == 0:
            return True
        seeing_px = self.forecast.seeing_px
        drift_px = 60 * self.forecast.drift_px_per_s
        brings_back = drift_px * side > DRIFT_SEEING_PER_MIN * seeing_px
        return abs(wanted_px) > (TURN_SEEING_DRIFTING if brings_back else TURN_SEEING) * seeing_px


class Control:
    """Both axes of a calibrated mount: takes errors and gives pulses.

    The errors are those of `Calibration.to_axes`, in px. One of them outlives dithers; after a
    slew there is a new one, made by `next_one`, which knows the periodic error of the one before.
    """

    def __init__(
        self, calibration: Calibration, policy: GuidePolicy, *known: PeriodicError
    ) -> None:
        self.calibration, self._policy = calibration, policy
        backlash_px = calibration.backlash_s * calibration.dec_rate_px_per_s
        ra_forecast = Forecast(
            *(known or (PeriodicError(),)), sky_share=cos_declination(calibration.declination_deg)
        )
        self.ra = Axis(calibration.ra_rate_px_per_s, 0.0, ra_forecast)
        self.ahead_s = known[0].ahead_s if known else 0.0
        self.dec = Axis(calibration.dec_rate_px_per_s, backlash_px, Forecast())

    def next_one(self, calibration: Calibration, ahead_s: float) -> "Control":
        """A control for after a slew or a calibration, with a fresh periodic error and the one
        learned.

        ``ahead_s``: the angle of the right ascension axis now, as `PeriodicError` takes it.
        """
        known = self.ra.forecast.likeliest_periodic_error
        learned = [known.slewed(ahead_s)] if known is not None and known.amplitude_px else []
        return Control(calibration, self._policy, PeriodicError(ahead_s), *learned)

    def observe(self, at_s: float, ra_px: float, dec_px: float) -> None:
        """Take the error of a frame whose middle was at ``at_s``; NaN (no star) says nothing."""
        if math.isnan(ra_px) or math.isnan(dec_px):
            return
        self.ra.observe(at_s, ra_px)
        self.dec.observe(at_s, dec_px)

    def correct(self, next_s: float) -> Pulses:
        """Pulses that put the stars in place for the middle of the next frame."""
        return self._pulses(
            *(self._worth(axis, -axis.expected_px(next_s)) for axis in (self.ra, self.dec))
        )

    def lead(self, ra_px: float, dec_px: float) -> Pulses:
        """Move the hold point; the pulses take the telescope there at once."""
        self.ra.shift(ra_px)
        self.dec.shift(dec_px)
        return self._pulses(self.ra.pulse_ms(ra_px), self.dec.pulse_ms(dec_px))

    def given(self, pulses: Pulses) -> None:
        """These pulses were really given."""
        self.ra.pulsed(pulses.west_ms - pulses.east_ms)
        self.dec.pulsed(pulses.north_ms - pulses.south_ms)

    @property
    def fits(self) -> bool:
        """False once the stars surely do not follow the calibration."""
        return self.ra.response.fits and self.dec.response.fits

    @property
    def proven(self) -> bool:
        """True once both axes have been seen to follow it."""
        return self.ra.response.proven and self.dec.response.proven

    def makeshift(self) -> "Control":
        """What to guide by until a calibration that stopped fitting can be measured anew: as fast,
        and the way round, as the stars were seen to follow; an axis that hardly did rests.
        """
        old = self.calibration
        ra, dec = (
            1.0 if axis.response.fits else axis.response.share for axis in (self.ra, self.dec)
        )
        guess = replace(
            old,
            ra_angle_deg=old.ra_angle_deg + (180.0 if ra < 0 else 0.0),
            dec_angle_deg=old.dec_angle_deg + (180.0 if dec < 0 else 0.0),
            ra_rate_px_per_s=old.ra_rate_px_per_s * max(abs(ra), FOLLOWS_LEAST),
            dec_rate_px_per_s=old.dec_rate_px_per_s * max(abs(dec), FOLLOWS_LEAST),
        )
        made = self.next_one(guess, self.ahead_s)
        made.ra.rests, made.dec.rests = abs(ra) < FOLLOWS_LEAST, abs(dec) < FOLLOWS_LEAST
        return made

    @property
    def backlash_s(self) -> float:
        """The backlash of declination as learned so far, in seconds of pulse."""
        return self.dec.backlash_px / self.dec.rate_px_per_s

    @property
    def seeing_px(self) -> float:
        """The part of the total error that the air and the measurement make."""
        return math.hypot(self.ra.forecast.seeing_px, self.dec.forecast.seeing_px)

    @property
    def air_px(self) -> float:
        """The same as far as frames have shown it, for the record."""
        return math.hypot(self.ra.forecast.air_px, self.dec.forecast.air_px)

    def distance(self, ra_px: float, dec_px: float) -> float:
        """How far an error is from nothing, in scatters: √(a² + b²) of both axes."""
        return math.hypot(
            ra_px / self.ra.forecast.scatter_px, dec_px / self.dec.forecast.scatter_px
        )

    def _pulses(self, ra_ms: int, dec_ms: int) -> Pulses:
        return Pulses(max(ra_ms, 0), max(-ra_ms, 0), max(dec_ms, 0), max(-dec_ms, 0))

    def _worth(self, axis: Axis, wanted_px: float) -> int:
        """The pulse for a correction, 0 when it is too small or not worth turning round for."""
        policy = self._policy
        if abs(wanted_px) < policy.least_move_px or not axis.turns_for(wanted_px):
            return 0
        pulse_ms = axis.pulse_ms(wanted_px)
        if abs(pulse_ms) < policy.pulse_min_ms:
            return 0
        return max(-policy.pulse_max_ms, min(policy.pulse_max_ms, pulse_ms))
