"""Learning a calibration: pulse west, east, north and south, and watch where the stars go."""

import math
from dataclasses import dataclass, field

import numpy as np

from nightloom.guiding.calibration import (
    SIDEREAL_ARCSEC_PER_S,
    Calibration,
    CalibrationSide,
    cos_declination,
)
from nightloom.guiding.centroid import Measurement
from nightloom.guiding.pulses import Direction, Pulses

LEGS = (Direction.WEST, Direction.EAST, Direction.NORTH, Direction.SOUTH)


@dataclass(frozen=True)
class CalibrationPolicy:
    """What a calibration is held against.

    Each leg ends when the stars moved ``distance_px`` beyond the point where they had moved
    ``clear_px``, by when backlash is taken up. A pulse starts at ``pulse_ms`` and doubles up to
    ``pulse_max_ms`` while the stars move less than an eighth of the distance. Guide rates from a
    twentieth of the sidereal rate to twice it are plausible.
    """

    scale_arcsec_per_px: float
    distance_px: float = 10.0
    clear_px: float = 1.5
    pulse_ms: int = 500
    pulse_max_ms: int = 2500
    pulses_max: int = 40
    skew_max_deg: float = 12.0
    rate_min_sidereal: float = 0.05
    rate_max_sidereal: float = 2.0


@dataclass(frozen=True)
class Refused:
    """The calibration failed; the kinds below say what was asked and what was seen."""


@dataclass(frozen=True)
class StarsLost(Refused):
    """No guide star was held after a pulse."""

    direction: Direction

    def __str__(self) -> str:
        return f"no guide star held while pulsing {self.direction.value}"


@dataclass(frozen=True)
class TooShort(Refused):
    """The stars did not move far enough within the pulses allowed."""

    direction: Direction
    wanted_px: float
    moved_px: float
    pulsed_s: float

    def __str__(self) -> str:
        return (
            f"{self.pulsed_s:.1f} s of pulses {self.direction.value} moved the stars "
            f"{self.moved_px:.1f} px, {self.wanted_px:.1f} px wanted"
        )


@dataclass(frozen=True)
class NotOrthogonal(Refused):
    """The two axes do not meet at a right angle."""

    skew_deg: float
    skew_max_deg: float

    def __str__(self) -> str:
        return (
            f"the axes miss a right angle by {self.skew_deg:.1f}°, {self.skew_max_deg:.1f}° allowed"
        )


@dataclass(frozen=True)
class ImplausibleRate(Refused):
    """A guide rate that no mount has at this scale: wrong scale, or something else moved."""

    axis: str
    rate_sidereal: float
    rate_min_sidereal: float
    rate_max_sidereal: float

    def __str__(self) -> str:
        return (
            f"the {self.axis} guide rate comes out as {self.rate_sidereal:.2f} × sidereal, "
            f"{self.rate_min_sidereal:.2f} to {self.rate_max_sidereal:.2f} expected"
        )


@dataclass(frozen=True)
class Done:
    """The calibration, once all four legs are there."""

    calibration: Calibration


@dataclass
class Leg:
    """One direction: total pulse length and position, before the first pulse and after each."""

    direction: Direction
    pulsed_s: list[float] = field(default_factory=list)
    x_px: list[float] = field(default_factory=list)
    y_px: list[float] = field(default_factory=list)

    def add(self, pulsed_s: float, x_px: float, y_px: float) -> None:
        self.pulsed_s.append(pulsed_s)
        self.x_px.append(x_px)
        self.y_px.append(y_px)

    def moved_px(self, since: int = 0) -> float:
        return math.hypot(self.x_px[-1] - self.x_px[since], self.y_px[-1] - self.y_px[since])

    def cleared(self, clear_px: float) -> int | None:
        """Index of the first point at which the stars had really moved."""
        away = np.hypot(np.array(self.x_px) - self.x_px[0], np.array(self.y_px) - self.y_px[0])
        beyond = np.flatnonzero(away >= clear_px)
        return int(beyond[0]) if len(beyond) else None

    def velocity(self, clear_px: float) -> tuple[float, float]:
        """Least-squares velocity in px per second of pulse, after the clearing point."""
        start = self.cleared(clear_px) or 0
        time = np.array(self.pulsed_s[start:])
        time -= time.mean()
        spread = float(time @ time)
        return float(time @ self.x_px[start:]) / spread, float(time @ self.y_px[start:]) / spread


class CalibrationRun:
    """Says which pulse comes next, given what was measured; does nothing itself.

    ``next`` takes the first measurement before any pulse, and one after each pulse it asked for.
    The offsets must all refer to the same reference positions.
    """

    def __init__(
        self,
        policy: CalibrationPolicy,
        *,
        declination_deg: float,
        pier_side: CalibrationSide = "unknown",
    ) -> None:
        self.policy = policy
        self.declination_deg = declination_deg
        self.pier_side: CalibrationSide = pier_side
        self.legs = [Leg(LEGS[0])]
        self._asked_ms = 0

    def next(self, measurement: Measurement) -> Pulses | Done | Refused:
        """The next pulse, or how it ended."""
        leg = self.legs[-1]
        if measurement.held == 0:
            return StarsLost(leg.direction)
        before_s = leg.pulsed_s[-1] if leg.pulsed_s else 0.0
        leg.add(before_s + self._asked_ms / 1000, measurement.dx_px, measurement.dy_px)
        start = leg.cleared(self.policy.clear_px)
        if start is not None and leg.moved_px(start) >= self.policy.distance_px:
            return self._next_leg(measurement)
        if len(leg.pulsed_s) > self.policy.pulses_max:
            return TooShort(
                leg.direction, self.policy.distance_px, leg.moved_px(), leg.pulsed_s[-1]
            )
        return self._pulse(leg)

    def _next_leg(self, measurement: Measurement) -> Pulses | Done | Refused:
        if len(self.legs) == len(LEGS):
            return conclude(
                self.legs,
                self.policy,
                declination_deg=self.declination_deg,
                pier_side=self.pier_side,
            )
        leg = Leg(LEGS[len(self.legs)])
        leg.add(0.0, measurement.dx_px, measurement.dy_px)
        self.legs.append(leg)
        self._asked_ms = 0
        return self._pulse(leg)

    def _pulse(self, leg: Leg) -> Pulses:
        if self._asked_ms == 0:
            self._asked_ms = self.policy.pulse_ms
        elif leg.moved_px(-2) < self.policy.distance_px / 8:
            self._asked_ms = min(2 * self._asked_ms, self.policy.pulse_max_ms)
        return Pulses.one(leg.direction, self._asked_ms)


def conclude(
    legs: list[Leg],
    policy: CalibrationPolicy,
    *,
    declination_deg: float,
    pier_side: CalibrationSide,
) -> Done | Refused:
    """The calibration from the four finished legs, or why not.

    There and back are averaged, which cancels a steady drift of the stars.
    """
    west, east, north, south = (leg.velocity(policy.clear_px) for leg in legs)
    ra = ((west[0] - east[0]) / 2, (west[1] - east[1]) / 2)
    dec = ((north[0] - south[0]) / 2, (north[1] - south[1]) / 2)
    ra_rate, dec_rate = math.hypot(*ra), math.hypot(*dec)
    sidereal_px = SIDEREAL_ARCSEC_PER_S / policy.scale_arcsec_per_px
    limits = policy.rate_min_sidereal, policy.rate_max_sidereal
    for axis, rate in (
        ("RA", ra_rate / sidereal_px / cos_declination(declination_deg)),
        ("declination", dec_rate / sidereal_px),
    ):
        if not limits[0] <= rate <= limits[1]:
            return ImplausibleRate(axis, rate, *limits)
    calibration = Calibration(
        ra_angle_deg=math.degrees(math.atan2(ra[1], ra[0])),
        dec_angle_deg=math.degrees(math.atan2(dec[1], dec[0])),
        ra_rate_px_per_s=ra_rate,
        dec_rate_px_per_s=dec_rate,
        declination_deg=declination_deg,
        pier_side=pier_side,
        backlash_s=max(0.0, legs[3].pulsed_s[-1] - legs[3].moved_px() / dec_rate),
    )
    if calibration.skew_deg > policy.skew_max_deg:
        return NotOrthogonal(calibration.skew_deg, policy.skew_max_deg)
    return Done(calibration)
