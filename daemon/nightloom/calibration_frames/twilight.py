"""Flats of the twilight sky: which filter when, how long, and where to look.

The sky's light changes by a nearly constant factor a second (Tyson & Gal 1993, AJ 105, 1206, an
exposure guide for flats in twilight; from memory: by 10^0.094 a minute, where the Sun moves about
0.21° a minute). Until two frames have shown the factor it is reckoned from the Sun's motion. A
frame of T seconds then holds rate · (e^(kT) - 1) / k.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from nightloom.calibration_frames.level import Limits

MAGNITUDES_A_DEGREE = 1.1
"""Change of the sky with the Sun's altitude in civil and nautical twilight; by the rate above."""

SUN_HIGHEST_DEG = -2.0
"""The roof has to be closed again, and the telescope parked, when the Sun rises."""

SUN_LOWEST_DEG = -9.0
"""Below, the twilight is too dim for any filter, and stars show in every frame."""

FROM_ZENITH_DEG = 13.0
"""So far from the zenith, away from the Sun, the sky is most even (Chromey & Hasselbacher 1996,
PASP 108, 944; from memory)."""

APART_S = 15.0
"""Frames nearer than this tell little of the factor."""

UNLIKELY = 3.0
"""A factor that differs so much from what the Sun's motion gives is a cloud's."""

BANDWIDTH_NM = 100.0
"""Of a filter that does not say."""


@dataclass(frozen=True)
class Seen:
    """The light of one frame: signal a second, in the middle of its exposure (Unix seconds)."""

    at_s: float
    rate_adu_per_s: float


def expected_change_per_s(sun_deg_per_s: float) -> float:
    """Growth of the sky's light, as a part of it a second, by the Sun's motion in altitude."""
    return math.log(10.0) * 0.4 * MAGNITUDES_A_DEGREE * sun_deg_per_s


def seen_change_per_s(before: Seen, after: Seen, expected_per_s: float) -> float:
    """The same by two frames of one filter; as expected where they do not tell."""
    apart_s = after.at_s - before.at_s
    if apart_s < APART_S or min(before.rate_adu_per_s, after.rate_adu_per_s) <= 0:
        return expected_per_s
    seen = math.log(after.rate_adu_per_s / before.rate_adu_per_s) / apart_s
    likely = 1.0 / UNLIKELY < seen / expected_per_s < UNLIKELY
    return seen if likely else expected_per_s


def rate_at(seen: Seen, change_per_s: float, at_s: float) -> float:
    """Signal a second at another moment."""
    return seen.rate_adu_per_s * math.exp(change_per_s * (at_s - seen.at_s))


def exposure_for_s(asked_adu: float, rate_adu_per_s: float, change_per_s: float) -> float:
    """Exposure that gathers a signal, from the rate at its beginning; without end where the sky
    fades before it is gathered.
    """
    grown = change_per_s * asked_adu / rate_adu_per_s
    if grown <= -1.0:
        return math.inf
    if abs(change_per_s) < 1e-9:
        return asked_adu / rate_adu_per_s
    return math.log1p(grown) / change_per_s


def middle_rate(signal_adu: float, begun_s: float, exposure_s: float) -> Seen:
    """What a frame says of the sky. Over a flat's exposure the mean is the middle's to 1 %."""
    return Seen(begun_s + exposure_s / 2, signal_adu / exposure_s)


def next_filter(bandwidths_nm: Mapping[str, float | None], *, brightens: bool) -> str:
    """The filter to begin with: that with the most light in a sky that brightens, else the least.

    What a filter lets through is told by the width of its band until its first frame.
    """
    best = max if brightens else min
    return best(bandwidths_nm, key=lambda name: bandwidths_nm[name] or BANDWIDTH_NM)


def through(seen: Seen, before_nm: float | None, after_nm: float | None) -> Seen:
    """The same sky through another filter, by the widths of their bands."""
    share = (after_nm or BANDWIDTH_NM) / (before_nm or BANDWIDTH_NM)
    return Seen(seen.at_s, seen.rate_adu_per_s * share)


def wait_s(asked_adu: float, rate_adu_per_s: float, change_per_s: float, limits: Limits) -> float:
    """How long to wait until a flat lasts no longer than the longest and no shorter than the
    shortest: 0 for none, without end when that time has passed.
    """
    brightens = change_per_s > 0
    begins = limits.maximum_s if brightens else limits.minimum_s
    ends = limits.minimum_s if brightens else limits.maximum_s

    def until_s(exposure_s: float) -> float:
        """Until flats last so long."""
        grows = change_per_s * exposure_s
        wanted = (
            change_per_s * asked_adu / math.expm1(grows)
            if abs(grows) > 1e-9
            else (asked_adu / exposure_s)
        )
        return math.log(wanted / rate_adu_per_s) / change_per_s

    if until_s(ends) < 0:
        return math.inf
    return max(0.0, until_s(begins))


def away_from_sun_deg(sun_azimuth_deg: float) -> tuple[float, float]:
    """Altitude and azimuth of the most even part of a twilight sky."""
    return 90.0 - FROM_ZENITH_DEG, (sun_azimuth_deg + 180.0) % 360.0
