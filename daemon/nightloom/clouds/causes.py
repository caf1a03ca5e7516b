"""What dims the stars, as far as their light over time tells.

Cloud comes and goes within minutes. Haze, and a sky that turns milky by and by, take an hour. Dew
takes as long, and blurs: its drops scatter light out of the middle of a star. Sun and Moon make the
sky bright and leave the stars their light. (Common practice, no source.)
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from statistics import median

from nightloom.clouds.starlight import extinction_mag

DIM_MAG = 0.08
"""Less may be the scatter of what is measured, or an extinction that was taken a little wrong."""

SWIFT_MAG, SWIFT_S = 0.1, 600.0
"""A change by so much in so little time is cloud."""

LOOKED_BACK_S = 2700.0
"""So long after a swift change a dim sky is still put down to cloud."""

CALM_S = 900.0
"""A sky that was clear for so long is clear."""

LONG_ENOUGH_S = 1200.0
"""Slow loss is told from cloud that stays only after so long."""

BLURRED = 1.12
"""Stars that much larger than at first, and dimmer, are behind dew."""

LIT = 1.5
"""A clear sky that Sun or Moon make so many times as bright as at first."""


class Cause(StrEnum):
    """What dims the stars, or the contrast of the frames."""

    CLEAR = "clear"
    CLOUD = "cloud"
    HAZE = "haze"
    DEW = "dew"
    MOON = "moonlight"
    TWILIGHT = "twilight"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class SkyLook:
    """What one frame, or a minute of guide stars, shows: transparency, and by how much the stars
    have grown since the first frames of a filter, 1 for not at all (NaN by guide stars). `lit` is
    the sky's brightness by Sun and Moon in parts of a dark one, `twilight` whether the Sun is less
    than 18° down.
    """

    time_s: float
    transparency: float
    growth: float = float("nan")
    lit: float = 1.0
    twilight: bool = False

    @property
    def lost_mag(self) -> float:
        """The loss of light in magnitudes."""
        return extinction_mag(self.transparency)


def cause_of(looks: Sequence[SkyLook]) -> Cause:
    """What dims the sky at the last of the looks, which are in the order of time."""
    if not looks:
        return Cause.UNKNOWN
    last = looks[-1]
    recent = [one for one in looks if last.time_s - one.time_s <= LOOKED_BACK_S]
    latest = [one for one in recent if last.time_s - one.time_s <= CALM_S]
    if any(one.lost_mag > DIM_MAG for one in latest) and _swift(recent):
        return Cause.CLOUD  # broken cloud is cloud in its gaps, too
    if last.lost_mag < DIM_MAG:
        if last.lit < LIT * looks[0].lit:
            return Cause.CLEAR
        return Cause.TWILIGHT if last.twilight else Cause.MOON
    lately = [one for one in recent if last.time_s - one.time_s <= LONG_ENOUGH_S]
    long_enough = len(lately) < len(looks)
    if not long_enough or any(one.lost_mag < DIM_MAG / 2 for one in lately):
        return Cause.UNKNOWN
    return Cause.DEW if _grown(looks) else Cause.HAZE


def _swift(looks: Sequence[SkyLook]) -> bool:
    """Whether the light has changed within minutes."""
    return any(
        abs(one.lost_mag - other.lost_mag) > SWIFT_MAG
        for number, one in enumerate(looks)
        for other in looks[number + 1 :]
        if other.time_s - one.time_s <= SWIFT_S
    )


def _grown(looks: Sequence[SkyLook]) -> bool:
    """Whether stars are larger than they were, by the median of the last five frames."""
    growths = [one.growth for one in looks if isfinite(one.growth)][-5:]
    return len(growths) >= 3 and median(growths) > BLURRED
