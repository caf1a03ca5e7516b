"""The true depth of a sub: what the simulated sky, optics and sensor made of it."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from nightloom_drivers.physics.optics import scale_arcsec_per_px, zero_point_e_per_s
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import FilterSettings

HALF_FLUX_PER_SIGMA = 1.1774
"""√(2 ln 2): the circle that holds half of a Gaussian."""

DARK, SHARP_PART = 3, 0.1
"""A filter's clear dark night has the sky of its third darkest sub, and stars of which a tenth, or
two, are sharper."""


@dataclass(frozen=True)
class Depth:
    """The part of a clear zenith's light that arrived, what makes the noise of a pixel in electrons
    a second (sky, dark current, read-out), and the square of the stars' half-flux radius.
    """

    starlight: float = 1.0
    sky_e_per_s: float = 1.0
    star_area_arcsec2: float = 1.0


def true_depth(
    world: World,
    glass: FilterSettings,
    times: np.ndarray,
    looking: tuple[float, float],
    passed: float,
    wander_arcsec: float,
    radius_arcsec: float,
) -> Depth:
    """Of a sub between the first and the last of `times`, (n,), `looking` at altitude and azimuth.

    `passed` is what cloud let through, `radius_arcsec` the half-flux radius by air and defocus.
    """
    altitude, azimuth = looking
    middle_s, sensor = float(times[len(times) // 2]), world.settings.sensor
    exposure_s = float(times[-1] - times[0]) * len(times) / (len(times) - 1)
    scale = scale_arcsec_per_px(world.settings.optics, sensor)
    zero = zero_point_e_per_s(
        world.settings.optics, sensor, glass.wavelength_nm, glass.band_nm, glass.peak
    )
    mag = world.sky.brightness_mag_per_arcsec2(middle_s, glass, altitude, azimuth)
    warmth = 2 ** (world.cooler.temperature_c(middle_s) / sensor.doubling_c)
    noise = zero * scale**2 * float(10 ** (-0.4 * mag)) + sensor.dark_e_per_s * warmth
    return Depth(
        passed * world.sky.extinction(glass, altitude) / world.sky.extinction(glass, 90.0),
        noise + sensor.read_noise_e**2 / exposure_s,
        float(radius_arcsec**2 + shaken_arcsec(world, wander_arcsec) ** 2),
    )


def shaken_arcsec(world: World, wander_arcsec: float) -> float:
    """The half-flux radius that the telescope's wander, over both axes, and the pixels give."""
    scale = scale_arcsec_per_px(world.settings.optics, world.settings.sensor)
    return HALF_FLUX_PER_SIGMA * float(np.hypot(wander_arcsec / 2**0.5, scale / 12**0.5))


@dataclass(frozen=True)
class ClearDark:
    """A filter's clear dark night, by the subs so far."""

    sky_e_per_s: float
    star_area_arcsec2: float

    def part(self, one: Depth) -> float:
        """What a second of a sub is worth: (S/N)² of a faint point source, at most 1."""
        dark = self.sky_e_per_s / one.sky_e_per_s
        sharp = self.star_area_arcsec2 / one.star_area_arcsec2
        return min(1.0, one.starlight**2 * dark * sharp)


def clear_dark(subs: Iterable[Depth]) -> ClearDark:
    """By all accepted subs of a filter, of which there is one at least."""
    depths = list(subs)
    last = len(depths) - 1
    sharp = max(DARK, int(np.ceil(SHARP_PART * len(depths)))) - 1
    return ClearDark(
        sorted(one.sky_e_per_s for one in depths)[min(DARK - 1, last)],
        sorted(one.star_area_arcsec2 for one in depths)[min(sharp, last)],
    )
