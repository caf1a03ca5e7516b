"""What a guide pulse does to the stars: two directions and two rates."""

import math
from dataclasses import dataclass, replace
from typing import Literal

CalibrationSide = Literal["east", "west", "unknown"]

SIDEREAL_ARCSEC_PER_S = 15.041
# Nearer to the pole RA pulses hardly move the stars; what is left is bounded by the longest pulse.
DECLINATION_MAX_DEG = 85.0


@dataclass(frozen=True)
class Calibration:
    """How stars move on the guide camera.

    ``ra_angle_deg`` is the direction in which the stars move during a pulse west, and
    ``dec_angle_deg`` north, from +x towards +y. Rates are px per second of pulse, at
    ``declination_deg``. ``backlash_s`` is the length of pulse lost when the declination axis turns
    round. ``north_is_south``: many German mounts turn the same way for a pulse north on both sides
    of the pier, so that on one of them it takes the telescope south.
    """

    ra_angle_deg: float
    dec_angle_deg: float
    ra_rate_px_per_s: float
    dec_rate_px_per_s: float
    declination_deg: float
    pier_side: CalibrationSide = "unknown"
    backlash_s: float = 0.0
    north_is_south: bool = False

    @property
    def skew_deg(self) -> float:
        """By how much the axes miss a right angle."""
        return abs(abs(_turn_deg(self.dec_angle_deg - self.ra_angle_deg)) - 90.0)

    def to_axes(self, dx_px: float, dy_px: float) -> tuple[float, float]:
        """Split an offset on the camera along the two axes: (ra_px, dec_px), positive as pulses
        west and north move the stars.
        """
        ra, dec = math.radians(self.ra_angle_deg), math.radians(self.dec_angle_deg)
        area = math.sin(dec - ra)
        return (
            (dx_px * math.sin(dec) - dy_px * math.cos(dec)) / area,
            (dy_px * math.cos(ra) - dx_px * math.sin(ra)) / area,
        )

    def from_axes(self, ra_px: float, dec_px: float) -> tuple[float, float]:
        """Offset (dx, dy) on the camera of an offset along the axes; undoes `to_axes`."""
        ra, dec = math.radians(self.ra_angle_deg), math.radians(self.dec_angle_deg)
        return (
            ra_px * math.cos(ra) + dec_px * math.cos(dec),
            ra_px * math.sin(ra) + dec_px * math.sin(dec),
        )

    def mirrored(self, *, north_stays_north: bool = True) -> "Calibration":
        """The calibration on the other side of the pier, where the camera hangs upside down.

        Both directions turn by 180°. A mount that moves its declination axis the same mechanical
        way for "north" on both sides sends the stars south there: ``north_stays_north=False``.
        """
        other: dict[CalibrationSide, CalibrationSide] = {
            "east": "west",
            "west": "east",
            "unknown": "unknown",
        }
        return replace(
            self,
            ra_angle_deg=_turn_deg(self.ra_angle_deg + 180.0),
            dec_angle_deg=_turn_deg(self.dec_angle_deg + (180.0 if north_stays_north else 0.0)),
            pier_side=other[self.pier_side],
            north_is_south=self.north_is_south is north_stays_north,
        )

    def at_declination(self, declination_deg: float) -> "Calibration":
        """The calibration elsewhere in the sky: the RA rate goes as the cosine of declination."""
        ratio = cos_declination(declination_deg) / cos_declination(self.declination_deg)
        return replace(
            self,
            ra_rate_px_per_s=self.ra_rate_px_per_s * ratio,
            declination_deg=declination_deg,
        )


def cos_declination(declination_deg: float) -> float:
    """Cosine of the declination, held at its value at ±85° nearer to the pole."""
    return math.cos(math.radians(min(abs(declination_deg), DECLINATION_MAX_DEG)))


def _turn_deg(angle_deg: float) -> float:
    """The same angle in -180° to 180°."""
    return (angle_deg + 180.0) % 360.0 - 180.0
