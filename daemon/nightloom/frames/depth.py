"""What a stack gains from a sub: its worth, in seconds of the filter's clear dark night.

The CCD equation (Merline & Howell 1995, Experimental Astronomy 6, 163; Howell 2006, Handbook of CCD
Astronomy, section 4.4): a point source of S electrons on n pixels, each with the noise N of sky,
dark current and read-out, has

    S / √(S + n N²),    and where the sky outshines it    (S/N)² = S² / (n N²).

S goes as transparency × exposure, n as the area of a star, and N² as the sky's brightness times the
exposure where the sky is all of it. So a second gains as transparency² over (sky brightness × star
area); what that is on the filter's clear dark night is 1:

    worth = exposure × transparency² × (sky₀ × area₀) / (sky × area)

The sky's brightness is taken from the measured noise of a pixel, N² / exposure, which needs neither
bias nor gain and has dark current and read-out in it. It has the pixels' unlike response in it,
too, which flats take out later: 1 % of that makes a sky of 3000 electrons seem 30 % brighter.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

DARK = 3
"""The sky of the clear dark night is that of the so many-th darkest frame: two slips are let go."""

SHARP_PART = 0.1
"""So large a part of the frames are sharper than its stars, or two of them."""


@dataclass(frozen=True)
class DepthFacts:
    """What the depth of a sub hangs on: `starlight` in parts of that of a clear zenith, the noise
    of a pixel of its sky, and the half-flux radius of its stars.
    """

    exposure_s: float
    starlight: float
    noise_adu: float
    half_flux_radius_px: float

    @property
    def known(self) -> bool:
        """Whether all of it was measured."""
        told = self.noise_adu, self.half_flux_radius_px, self.starlight
        return all(math.isfinite(one) and one > 0 for one in told)

    @property
    def sky_adu2_per_s(self) -> float:
        """The sky's brightness, as the noise that it makes."""
        return self.noise_adu**2 / self.exposure_s

    @property
    def star_area_px2(self) -> float:
        """In proportion to the area of a star."""
        return self.half_flux_radius_px**2


@dataclass(frozen=True)
class ClearDark:
    """The clear dark night of a filter."""

    sky_adu2_per_s: float
    star_area_px2: float


def clear_dark(accepted: Sequence[DepthFacts]) -> ClearDark | None:
    """The clear dark night, by all accepted frames of a filter whose depth is known; None without.

    While there are fewer than `DARK` the last of them in order stands for it.
    """
    if not accepted:
        return None
    skies = sorted(one.sky_adu2_per_s for one in accepted)
    areas = sorted(one.star_area_px2 for one in accepted)
    sharp = max(DARK, math.ceil(SHARP_PART * len(areas)))
    return ClearDark(skies[min(DARK, len(skies)) - 1], areas[min(sharp, len(areas)) - 1])


def worth_s(seen: DepthFacts, night: ClearDark) -> float:
    """Seconds of the clear dark night that a sub is worth; never more than its own."""
    dark = night.sky_adu2_per_s / seen.sky_adu2_per_s
    sharp = night.star_area_px2 / seen.star_area_px2
    return seen.exposure_s * min(1.0, seen.starlight**2 * dark * sharp)


def starlight(transparency: float, airmass: float, extinction_mag: float) -> float:
    """The part of a clear zenith's light that arrives, by `extinction_mag` an airmass."""
    return transparency * float(10 ** (-0.4 * extinction_mag * (airmass - 1.0)))
