"""A fast simulation of star sizes through a night: air, airmass, filters, defocus; no pixels.

It shares nothing with the rules that it is used to judge. The air is the same process as the
simulated rig's: its logarithm an Ornstein–Uhlenbeck process.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from math import cos, exp, hypot, log, nan, pi, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from focusing.blur import blurred_radius

ZONE_STEPS = 33.5  # 4.88 λ N² at 550 nm and f/5, in steps of 2 µm
FAR_SLOPE_PX_PER_STEP = sqrt(0.5) * 2.0 / (2 * 5.0 * 3.76)  # half of a disk's light is within R/√2
SPACING_S = 122.0
_DISK_PX_PER_STEP = 2.0 / (2 * 5.0 * 3.76)
_SCALE_ARCSEC, _FWHM = 1.46, 2.3548
_GUIDE_SCALE_ARCSEC, _GUIDE_BLUR_ARCSEC = 4.12, 3.0
_WAVELENGTHS_NM = {"L": 550.0, "R": 640.0, "G": 535.0, "B": 455.0}
WEAVE = ("L", "R", "L", "G", "L", "B")


@lru_cache
def _blurred() -> CubicSpline:
    disks = np.linspace(0.0, 12.0, 25)
    return CubicSpline(disks, [blurred_radius(disk) for disk in disks])


def half_flux_radius_px(sigma_px: float, defocus_steps: float) -> float:
    """Half-flux radius of a Gaussian star on pixels, spread by a defocused round aperture."""
    sigma = hypot(sigma_px, sqrt(1 / 12))
    return sigma * float(_blurred()(abs(defocus_steps) * _DISK_PX_PER_STEP / sigma))


def fading_noise(
    generator: np.random.Generator, count: int, spacing_s: float, fading_s: float
) -> NDArray[np.float64]:
    """An Ornstein–Uhlenbeck process of unit variance at equal times."""
    keep = exp(-spacing_s / fading_s)
    kicks = generator.standard_normal(count)
    values = np.empty(count)
    values[0] = kicks[0]
    for i in range(1, count):
        values[i] = keep * values[i - 1] + sqrt(1 - keep**2) * kicks[i]
    return values


@dataclass(frozen=True)
class Air:
    """Seeing of 2.8″ FWHM at the zenith: a slow swing, and a noise that fades within `fading_s`."""

    scatter: float = 0.15
    fading_s: float = 900.0
    swing: float = 0.0
    """±0.4 swings by 40 % about the middle within 40 to 180 minutes."""


@dataclass
class Night:
    """One night: sizes as subs and brief frames would show them, and the truth beside.

    `defocus` gives the steps from best focus, for seconds since the night began, were the focuser
    not moved; `moved_steps` is how far it was moved.
    """

    seed: int
    air: Air = Air()
    guided: bool = True
    defocus: Callable[[float], float] = lambda _: 0.0
    moved_steps: float = 0.0
    hours: float = 8.0
    sub_noise: float = 0.015
    frame_noise: float = 0.03
    guide_noise: float = 0.005
    phase_noise: float = 0.006
    """Of the guide stars' width from dither to dither, as on the rehearsed rig's 4″ pixels."""
    _log_seeing: NDArray[np.float64] = field(init=False)

    def __post_init__(self) -> None:
        self._generator = np.random.default_rng(self.seed)
        times = np.arange(0.0, self.hours * 3600.0 + 3600.0, 20.0)
        noise = fading_noise(self._generator, len(times), 20.0, self.air.fading_s)
        period_s, phase = self._generator.uniform(2400, 10800), self._generator.uniform(0, 2 * pi)
        swing = log(1 + self.air.swing) * np.sin(2 * pi * times / period_s + phase)
        self._times_s, self._log_seeing = times, self.air.scatter * noise + swing
        self._phases = self._generator.standard_normal(1 + self.pointing(float(times[-1])))
        self._offsets = {name: self._generator.normal(0.0, 1.5) for name in _WAVELENGTHS_NM}

    def airmass(self, at_s: float) -> float:
        """Of a target that passes 10° from the zenith in the middle of the night."""
        angle = radians(15.0 * (at_s / 3600.0 - self.hours / 2))
        latitude, declination = radians(47.0), radians(37.0)
        height = sin(latitude) * sin(declination)
        return 1.0 / (height + cos(latitude) * cos(declination) * cos(angle))

    def best_px(self, at_s: float, filter_: str) -> float:
        """Half-flux radius in best focus."""
        return half_flux_radius_px(self._sigma_px(at_s, filter_), 0.0)

    def growth(self, at_s: float) -> float:
        """How much larger stars of an average air are than in best focus, as a fraction."""
        sigma_px = 2.8 / _SCALE_ARCSEC / _FWHM
        grown = half_flux_radius_px(sigma_px, self.defocus(at_s) + self.moved_steps)
        return grown / half_flux_radius_px(sigma_px, 0.0) - 1.0

    def offset_steps(self, filter_: str) -> float:
        """How far a filter's adopted offset is wrong."""
        return self._offsets[filter_]

    def frame_px(self, at_s: float, filter_: str, offset_steps: float, noise: float) -> float:
        """Half-flux radius as a frame shows it, with the focuser moved by an offset."""
        steps = self.defocus(at_s) + self.moved_steps + offset_steps + self._offsets[filter_]
        size_px = half_flux_radius_px(self._sigma_px(at_s, filter_), steps)
        return size_px * exp(noise * self._generator.standard_normal())

    def guide_px(self, at_s: float) -> float:
        """FWHM of the guide stars over a sub; NaN without a guide camera."""
        if not self.guided:
            return nan
        width = hypot(self._seeing(at_s), _GUIDE_BLUR_ARCSEC) / _GUIDE_SCALE_ARCSEC
        noise = self.guide_noise * self._generator.standard_normal()
        noise += self.phase_noise * self._phases[self.pointing(at_s)]
        return hypot(width, _FWHM * sqrt(1 / 12)) * exp(noise)

    def pointing(self, at_s: float) -> int:
        """How many dithers came before: one for every three subs."""
        return int(at_s / SPACING_S) // 3

    def subs(self) -> Iterator[tuple[float, str]]:
        """Middle and filter of each sub, in the order of the weave."""
        for i in range(int(self.hours * 3600.0 / SPACING_S)):
            yield (i + 0.5) * SPACING_S, WEAVE[i % len(WEAVE)]

    def _seeing(self, at_s: float) -> float:
        zenith = 2.8 * exp(float(np.interp(at_s, self._times_s, self._log_seeing)))
        return float(zenith * self.airmass(at_s) ** 0.6)

    def _sigma_px(self, at_s: float, filter_: str) -> float:
        by_wavelength = float((_WAVELENGTHS_NM[filter_] / 500.0) ** -0.2)
        return self._seeing(at_s) * by_wavelength / _SCALE_ARCSEC / _FWHM
