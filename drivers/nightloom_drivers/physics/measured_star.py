"""What a measurement of pixels makes of a star: how it is found, in which pixels, how large it is.

The measurement is one of connected pixels above a threshold, with apertures whose size follows from
that of the stars (Bertin & Arnouts 1996, A&AS 117, 393). Its numbers are held against measured
pictures by tests.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.physics.profile import Array, Profile, profile
from nightloom_drivers.physics.psf import Blur, half_flux_radius_px

# A star is five connected pixels that each stand four times the noise above the sky.
THRESHOLD, AREA_PX = 4.0, 5.0
# The fifth brightest of some noisy pixels, in the noise of one: how uncertain, and how lucky.
WAVERING, LUCK = 0.6, 0.1
# Larger stars are measured in frames that were halved, by the mean of the middle two of four
# pixels, until they are smaller, and are looked for in smoothed ones.
SHARP_PX, WIDE_PX, HALVED_MAX, HALVED_SIDE_PX_MIN = 5.0, 8.0, 16, 24
HALVED_NOISE = 0.546
SMOOTHED_PX2, SMOOTHED_WAVERING = 4 / 3, 0.25
SHARP_APERTURE, WIDE_APERTURE = 6.0, 3.7
# The rim of what stands above the threshold is ragged: so much is seen beyond it, added in squares.
RAGGED_PX = 1.3
# In the sky's noise: light that is taken for more of it. It is summed over every third radius.
TAKEN_FOR_NOISE, THINNED = 2.5, 3
CORE = 0.3


@dataclass(frozen=True, eq=False)
class MeasuredStar:
    """A star of unit flux as it is measured: in pixels joined to squares of `joined` a side.

    `shown` is the profile as it is measured, `sought` as stars are looked for. `noise_adu` is that
    of one such pixel, with what faint stars add; `sky_noise_adu` that of all light in the area of a
    single pixel, without it.
    """

    joined: int
    shown: Profile
    sought: Profile
    noise_adu: float
    sky_noise_adu: float

    @property
    def aperture(self) -> float:
        """Radius of the aperture in standard deviations of a star."""
        return SHARP_APERTURE if self.joined == 1 else WIDE_APERTURE

    @property
    def threshold_adu(self) -> float:
        """What a star's pixels stand above."""
        return THRESHOLD * self.noise_adu

    @property
    def detection(self) -> tuple[float, float, float]:
        """The level that decides whether a star of unit flux is found: that of the faintest of the
        pixels it must have; and how noise moves it and on the whole lifts it, in thresholds.
        """
        decisive = decisive_level(self.sought, self.joined)
        if self.joined == 1:
            return decisive, WAVERING / THRESHOLD, LUCK / THRESHOLD
        return decisive, SMOOTHED_WAVERING / THRESHOLD, 0.0

    def edge_px(self, flux_adu: Array) -> Array:
        """The radius, (n,), out to which stars (n,) stand above the threshold, and their rim."""
        level = np.maximum.accumulate(self.sought.level[::-1])
        radius_px = np.interp(self.threshold_adu / flux_adu, level, self.sought.radius_px[::-1])
        return np.asarray(np.hypot(radius_px, RAGGED_PX * self.joined))

    def share_within(self, edge_px: Array) -> Array:
        """The part of the light inside of these radii, (n,)."""
        return np.interp(edge_px, self.sought.radius_px, self.sought.within)

    def variance_px2(self, edge_px: Array) -> Array:
        """Variance in one axis of the light within radii, (n,)."""
        seen = self.sought
        light = seen.level * seen.ring_px2
        moment = np.cumsum(light * seen.radius_px**2 / 2)
        variance = np.interp(edge_px, seen.radius_px, moment / np.maximum(np.cumsum(light), 1e-12))
        return np.asarray(np.maximum(variance, 0.01))

    @property
    def whole_px2(self) -> float:
        """Variance in one axis of all of its light."""
        return float(self.variance_px2(self.sought.radius_px[-1:])[0])

    @property
    def core_fwhm_px(self) -> float:
        """FWHM of the Gaussian whose logarithm fits the core's best; NaN for a hollow one."""
        seen = self.sought
        core = seen.level > CORE * seen.level.max()
        square, log = seen.radius_px[core] ** 2, np.log(seen.level[core])
        weight = seen.level[core] ** 2 * seen.ring_px2[core]
        off = square - np.average(square, weights=weight)
        slope = float(np.sum(weight * off * log) / np.sum(weight * off**2))
        return float(np.sqrt(-4 * np.log(2) / slope)) if slope < 0 else float("nan")


def measured_star(
    blur: Blur, noise_adu: float, joined: int, flux_adu: Array, shape: tuple[int, int]
) -> MeasuredStar:
    """How a star of this blur is measured in pixels joined so, in a frame of (rows, columns) with
    this noise of a pixel, where stars of so much light, (n,), stand.
    """
    variance_px2 = round_px2(blur) + joined**2 / 12
    # light is summed as if it lay evenly over each pixel, which widens stars once more
    summed_px2 = variance_px2 + joined**2 / 12
    smoothed_px2 = variance_px2 + (SMOOTHED_PX2 * joined**2 if joined > 1 else 0.0)
    aperture = SHARP_APERTURE if joined == 1 else WIDE_APERTURE
    reach_px = 1.1 * aperture * np.sqrt(smoothed_px2 + blur.disk_radius_px**2 / 4)
    shown = profile(summed_px2, blur.disk_radius_px, blur.hole, reach_px)
    sought = profile(smoothed_px2, blur.disk_radius_px, blur.hole, reach_px)
    sky_adu = noise_adu * HALVED_NOISE ** np.log2(joined)
    # the variance of a pixel under stars at random places (Campbell's theorem), as far as their
    # light is not told from noise
    light = np.outer(flux_adu, sought.level[::THINNED])
    light[light > TAKEN_FOR_NOISE * sky_adu] = 0.0
    area_px2 = THINNED * sought.ring_px2[::THINNED]
    blotches = float((light**2 @ area_px2).sum()) / (shape[0] * shape[1])
    whole_adu = float(np.hypot(sky_adu, np.sqrt(blotches)))
    return MeasuredStar(joined, shown, sought, whole_adu, sky_adu * joined)


def decisive_level(sought: Profile, joined: int) -> float:
    """The level of the faintest of the brightest pixels that a star must have."""
    order = np.argsort(-sought.level, kind="stable")
    area = np.cumsum(sought.ring_px2[order])
    return float(np.interp(AREA_PX * joined**2, area, sought.level[order]))


def joined_for(blur: Blur, side_px: int) -> int:
    """How many pixels a side are joined to measure a star, in a frame of this shorter side."""
    joined, radius_px = 1, half_flux_radius_px(blur)
    while radius_px > (SHARP_PX if joined == 1 else WIDE_PX * joined) and has_room(joined, side_px):
        joined *= 2
    return joined


def has_room(joined: int, side_px: int) -> bool:
    """Whether a frame that was halved so often may be halved again."""
    return joined < HALVED_MAX and side_px >= 2 * HALVED_SIDE_PX_MIN * joined


def axes_px2(blur: Blur) -> tuple[float, float]:
    """Variances along and across the Gaussian's long axis."""
    mean, apart = (blur.var_x + blur.var_y) / 2, (blur.var_x - blur.var_y) / 2
    long = float(np.hypot(apart, blur.cov_xy))
    return mean + long, max(mean - long, 0.0)


def round_px2(blur: Blur) -> float:
    """Variance of the round Gaussian that holds half of its light in a circle as large."""
    along, across = axes_px2(blur)
    # by the geometric mean for two thirds: within 1 % of the integral up to axes of 2 to 1
    return (2 * float(np.sqrt(along * across)) + (along + across) / 2) / 3


def lie(
    blur: Blur, star: MeasuredStar, variance_px2: Array, noise_px2: Array, drawn: Array
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ellipticities, and directions of the long axis in degrees, (n,), of stars whose light has
    these variances as far as it is seen, by second moments with noise; `drawn` is (3, n).
    """
    part = variance_px2 / star.whole_px2
    mean = variance_px2 + part * (blur.sigma_px**2 - round_px2(blur))
    apart = part * (blur.var_x - blur.var_y) / 2 + noise_px2 * (drawn[0] - drawn[1]) / 2
    cross = part * blur.cov_xy + noise_px2 * drawn[2] / np.sqrt(2)
    long = np.minimum(np.hypot(apart, cross), 0.95 * mean)
    return 1 - np.sqrt((mean - long) / (mean + long)), np.degrees(np.arctan2(cross, apart)) / 2
