"""The main camera without pixels: the stars that measuring its picture would have found.

The light comes from the same view as the picture's; what a measurement makes of it, and how it
scatters, follows from the image's profile and from the noise of photons, sky and sensor. Tests
hold both against measured pictures.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.physics.cameras import Window
from nightloom_drivers.physics.cooler import Cooler
from nightloom_drivers.physics.lightpath import MainLightPath
from nightloom_drivers.physics.profile import Array, Profile, profile
from nightloom_drivers.physics.psf import Blur, half_flux_radius_px
from nightloom_drivers.physics.view import View
from nightloom_drivers.rig_settings import OpticsSettings, SensorSettings
from nightloom_drivers.star_list import LISTED, StarList

LISTED_MAX = 2000
FWHM_PER_SIGMA = 2.354820045
ROUNDING = 12**-0.5
"""Standard deviation, in numbers, of what the converter rounds away."""

# A star is five connected pixels that each stand four times the noise above the sky.
THRESHOLD, AREA_PX = 4.0, 5.0
# The fifth brightest of some noisy pixels, in the noise of one: how uncertain, and how lucky.
WAVERING, LUCK = 0.6, 0.3
# Larger stars are measured in frames that were halved, by the mean of the middle two of four
# pixels, until they are smaller, and are looked for in smoothed ones.
SHARP_PX, WIDE_PX, HALVED_MAX, HALVED_SIDE_PX_MIN = 5.0, 8.0, 16, 24
ENOUGH = 10
HALVED_NOISE = 0.546
SMOOTHED_PX2, SMOOTHED_WAVERING = 4 / 3, 0.25
SHARP_APERTURE, WIDE_APERTURE = 6.0, 3.7
TYPICAL = 50
# Stars nearer to each other than so many half-flux radii are seen as one.
BLENDED_RADII = 2.0
# The rim of what stands above the threshold is ragged: so much is seen beyond it, added in squares.
RAGGED_PX = 1.3
# What pixels add to the noise of place and size, most where stars are hardly wider than they are.
PLACE_FLOOR_PX, SIZE_FLOOR_PX, SHARP_FLOOR_PX5 = 0.045, 0.01, 0.012
WIDE_SIZE_NOISE = 1.35
CLIPPED_NOISE = 0.985  # of a pixel: what lies far out is not taken for noise
CORE = 0.3


@dataclass(frozen=True)
class _Ground:
    """What stars stand on: level and noise of a pixel, ADU, and electrons to the ADU.

    `top_adu` is the highest level above the sky that a pixel reaches.
    """

    sky_adu: float
    noise_adu: float
    top_adu: float
    gain: float


@dataclass(frozen=True, eq=False)
class _Image:
    """A star of unit flux as it is measured: in pixels joined to squares of `joined` a side.

    `shown` is the profile as it is measured, `sought` as stars are looked for. Noise is that of
    all light in a square pixel's area, ADU.
    """

    joined: int
    shown: Profile
    sought: Profile
    threshold_adu: float
    noise_adu: float

    def edge_px(self, flux_adu: Array | float) -> Array:
        """The radius, (n,), out to which stars (n,) stand above the threshold."""
        level = np.maximum.accumulate(self.sought.level[::-1])
        return np.asarray(
            np.interp(self.threshold_adu / flux_adu, level, self.sought.radius_px[::-1])
        )


class MainStars:
    """The cooled imaging camera, which lists stars in place of exposing pixels."""

    def __init__(
        self,
        settings: SensorSettings,
        optics: OpticsSettings,
        path: MainLightPath,
        cooler: Cooler,
        stream: np.random.SeedSequence,
    ) -> None:
        self.settings, self.cooler = settings, cooler
        self._vignetting, self._path = optics.vignetting, path
        self._rng = np.random.default_rng(stream)

    def view(self, t_start_s: float, exposure_s: float) -> View:
        """Return the stars and the glow of an exposure that has ended."""
        return self._path.view(t_start_s, exposure_s)

    def expose(
        self,
        t_start_s: float,
        exposure_s: float,
        kind: FrameKind = FrameKind.LIGHT,
        window: Window | None = None,
        binning: int = 1,
    ) -> StarList:
        """Return the stars of a frame, when its exposure has ended; see `MainCamera.expose`."""
        s = self.settings
        window = window or Window(0, 0, s.width_px, s.height_px)
        exposure_s = 0.0 if kind is FrameKind.BIAS else exposure_s
        lit = kind in (FrameKind.LIGHT, FrameKind.FLAT) and exposure_s > 0
        view = self.view(t_start_s, exposure_s) if lit else View.starless()
        sensor_c = self.cooler.temperature_c(t_start_s + exposure_s / 2)
        warmth = float(2 ** (sensor_c / s.doubling_c))
        ground = self._ground(view.glow_e_per_s * exposure_s, warmth * exposure_s, binning)
        shape = window.height // binning, window.width // binning
        x, y, flux_adu = self._light(view, exposure_s, window, binning, shape)
        return self._listed(shape, x, y, flux_adu, _scaled(view.blur, binning), ground)

    def _ground(self, glow_e: float, warm_s: float, binning: int) -> _Ground:
        """The sky and the dark current in a pixel of `binning` squared, and its noise."""
        s, joined = self.settings, binning**2
        glow_e *= joined * (1 - self._vignetting / 3)  # the mean over the frame
        dark_e = joined * s.dark_e_per_s * warm_s
        uneven_e = s.response_spread * glow_e / binning
        noise_e = np.sqrt(glow_e + dark_e + joined * s.read_noise_e**2 + uneven_e**2)
        zero_adu, gain = joined * s.bias_adu, s.gain_e_per_adu
        sky_adu = zero_adu + (glow_e + dark_e) / gain
        full_adu = min(zero_adu + joined * s.full_well_e / gain, joined * (2**s.bits - 1), 65535)
        noise_adu = CLIPPED_NOISE * float(np.hypot(noise_e / gain, ROUNDING))
        return _Ground(min(sky_adu, full_adu), noise_adu, max(full_adu - sky_adu, 0.0), gain)

    def _light(
        self,
        view: View,
        exposure_s: float,
        window: Window,
        binning: int,
        shape: tuple[int, int],
    ) -> tuple[Array, Array, Array]:
        """Places in px and light in ADU, (n,), of the stars in a window."""
        s = self.settings
        x = (view.x - window.x + 0.5) / binning - 0.5
        y = (view.y - window.y + 0.5) / binning - 0.5
        inside = np.flatnonzero(
            (x > -0.5) & (x < shape[1] - 0.5) & (y > -0.5) & (y < shape[0] - 0.5)
        )
        across = 2 * view.x[inside] / (s.width_px - 1) - 1
        up = 2 * view.y[inside] / (s.height_px - 1) - 1
        response = 1 - self._vignetting * (across**2 + up**2) / 2
        flux_adu = view.flux_e_per_s[inside] * exposure_s * response / s.gain_e_per_adu
        order = np.argsort(-flux_adu, kind="stable")
        return x[inside][order], y[inside][order], flux_adu[order]

    def _listed(
        self,
        shape: tuple[int, int],
        x: Array,
        y: Array,
        flux_adu: Array,
        blur: Blur,
        ground: _Ground,
    ) -> StarList:
        """Of stars (n,), brightest first, those that are found, as they are measured."""
        image, x, y, flux_adu = self._seen(x, y, flux_adu, blur, ground, min(shape))
        typical = np.median(flux_adu[:TYPICAL]) if len(flux_adu) else np.inf
        aperture = SHARP_APERTURE if image.joined == 1 else WIDE_APERTURE
        along, across = _axes_px2(blur)
        spread_px2 = float(_spread_px(image, image.edge_px(typical))) ** 2
        aperture_px = aperture * float(np.sqrt(spread_px2 + (along - across) / 2))
        stars = self._measured(x, y, flux_adu, blur, image, ground, aperture_px)
        stars = stars[np.argsort(-stars["flux_adu"], kind="stable")]
        return StarList(
            shape,
            stars[:LISTED_MAX],
            len(stars),
            ground.sky_adu,
            ground.noise_adu,
            aperture_px,
            image.noise_adu * aperture_px * np.pi**0.5,
        )

    def _seen(
        self, x: Array, y: Array, flux_adu: Array, blur: Blur, ground: _Ground, side_px: int
    ) -> tuple[_Image, Array, Array, Array]:
        """How stars (n,) are measured, in a frame of that shorter side, and those found so.

        Where they are few, wide ones are looked for in frames that were halved once more.
        """
        radius_px, joined = half_flux_radius_px(blur), _joined(blur, side_px)
        image = _image(blur, ground, joined)
        found = self._found(x, y, flux_adu, image)
        while len(found[0]) < ENOUGH and radius_px >= 4 * joined and _room(joined, side_px):
            joined *= 2
            wider = _image(blur, ground, joined)
            more = self._found(x, y, flux_adu, wider)
            if len(more[0]) > len(found[0]):
                image, found = wider, more
        return image, *found

    def _found(
        self, x: Array, y: Array, flux_adu: Array, image: _Image
    ) -> tuple[Array, Array, Array]:
        """Those of stars (n,), brightest first, that stand above the noise: (m,), blends joined."""
        level, wavering, luck = _detection(image)
        hopeful = flux_adu * level > (1 - 4 * wavering / THRESHOLD) * image.threshold_adu
        x, y, flux_adu = _blended(
            x[hopeful],
            y[hopeful],
            flux_adu[hopeful],
            BLENDED_RADII * image.sought.radius_of(0.5),
        )
        noise = luck + wavering * self._rng.standard_normal(len(x))
        stands = flux_adu * level / image.threshold_adu + noise / THRESHOLD > 1
        return x[stands], y[stands], flux_adu[stands]

    def _measured(
        self,
        x: Array,
        y: Array,
        flux_adu: Array,
        blur: Blur,
        image: _Image,
        ground: _Ground,
        aperture_px: float,
    ) -> NDArray[np.void]:
        """Stars (n,) with the noise that their light and the sky's give: (n,) of dtype LISTED."""
        n, drawn = len(x), self._rng.standard_normal((8, len(x)))
        stars = np.zeros(n, LISTED)
        if not n:
            return stars
        photons, ground_noise = flux_adu / ground.gain, image.noise_adu
        edge_px = np.hypot(image.edge_px(flux_adu), RAGGED_PX * image.joined)
        spread_px2 = _spread_px(image, edge_px) ** 2
        within_adu = flux_adu * np.interp(edge_px, image.sought.radius_px, image.sought.within)
        place = np.sqrt(photons * spread_px2 + np.pi / 4 * (ground_noise * edge_px**2) ** 2)
        place_px = np.hypot(place / within_adu, PLACE_FLOOR_PX)
        stars["x"], stars["y"] = x + place_px * drawn[0], y + place_px * drawn[1]
        share = image.shown.flux_within(aperture_px)
        noise = np.sqrt(photons * share + np.pi * (ground_noise * aperture_px) ** 2)
        stars["flux_adu"] = _clipped(flux_adu, image, ground, share) + noise * drawn[2]
        off_px = np.hypot(x - np.rint(x), y - np.rint(y)) if image.joined == 1 else np.zeros(n)
        level = np.interp(off_px, image.sought.radius_px, image.sought.level)
        peak = flux_adu * level + ground.noise_adu * drawn[3] / image.joined
        stars["peak_adu"] = np.minimum(peak, ground.top_adu)
        radius_px = image.shown.radius_of(share / 2)
        steep = np.interp(
            radius_px, image.shown.radius_px, 2 * np.pi * image.shown.radius_px * image.shown.level
        )
        unsure = 1.0 if image.joined == 1 else WIDE_SIZE_NOISE
        floor_px = SIZE_FLOOR_PX + SHARP_FLOOR_PX5 / _spread_px(image, aperture_px) ** 4
        size = np.hypot(unsure * noise / 2 / (flux_adu * steep), floor_px) / radius_px
        stars["half_flux_radius_px"] = radius_px * np.maximum(1 + size * drawn[4], 0.05)
        stars["fwhm_px"] = _core_fwhm_px(image.sought) * np.maximum(1 + 1.5 * size * drawn[4], 0.05)
        stars["spread_px2"] = float(_spread_px(image, aperture_px)) ** 2
        moments = np.sqrt(2 * photons * spread_px2**2 + np.pi / 8 * ground_noise**2 * edge_px**6)
        _lay(stars, blur, image, spread_px2, moments / within_adu, drawn[5:])
        return stars


def _scaled(blur: Blur, binning: int) -> Blur:
    """The same in pixels so many times as large."""
    area = binning**2
    return Blur(
        blur.var_x / area,
        blur.var_y / area,
        blur.cov_xy / area,
        blur.disk_radius_px / binning,
        blur.hole,
    )


def _axes_px2(blur: Blur) -> tuple[float, float]:
    """Variances along and across the Gaussian's long axis."""
    mean, apart = (blur.var_x + blur.var_y) / 2, (blur.var_x - blur.var_y) / 2
    long = float(np.hypot(apart, blur.cov_xy))
    return mean + long, max(mean - long, 0.0)


def _round_px2(blur: Blur) -> float:
    """Variance of the round Gaussian that holds half of its light in a circle as large."""
    along, across = _axes_px2(blur)
    # by the geometric mean for two thirds: within 1 % of the integral up to axes of 2 to 1
    return (2 * float(np.sqrt(along * across)) + (along + across) / 2) / 3


def _joined(blur: Blur, side_px: int) -> int:
    """How many pixels a side are joined to measure a star, in a frame of this shorter side."""
    joined, radius_px = 1, half_flux_radius_px(blur)
    while radius_px > (SHARP_PX if joined == 1 else WIDE_PX * joined) and _room(joined, side_px):
        joined *= 2
    return joined


def _room(joined: int, side_px: int) -> bool:
    """Whether a frame that was halved so often may be halved again."""
    return joined < HALVED_MAX and side_px >= 2 * HALVED_SIDE_PX_MIN * joined


def _image(blur: Blur, ground: _Ground, joined: int) -> _Image:
    """How a star of this blur is measured on this ground, in pixels joined so."""
    variance_px2 = _round_px2(blur) + joined**2 / 12
    # light is summed as if it lay evenly over each pixel, which widens stars once more
    summed_px2 = variance_px2 + joined**2 / 12
    smoothed_px2 = variance_px2 + (SMOOTHED_PX2 * joined**2 if joined > 1 else 0.0)
    aperture = SHARP_APERTURE if joined == 1 else WIDE_APERTURE
    reach_px = 1.1 * aperture * np.sqrt(smoothed_px2 + blur.disk_radius_px**2 / 4)
    shown = profile(summed_px2, blur.disk_radius_px, blur.hole, reach_px)
    sought = profile(smoothed_px2, blur.disk_radius_px, blur.hole, reach_px)
    noise_adu = ground.noise_adu * HALVED_NOISE ** np.log2(joined)
    return _Image(joined, shown, sought, THRESHOLD * noise_adu, noise_adu * joined)


def _detection(image: _Image) -> tuple[float, float, float]:
    """The level that decides whether a star of unit flux is found: that of the faintest of the
    pixels it must have; and how noise moves it, in the noise of one pixel.
    """
    level, area = image.sought.level, image.sought.ring_px2
    order = np.argsort(-level, kind="stable")
    enough = np.cumsum(area[order])
    decisive = float(np.interp(AREA_PX * image.joined**2, enough, level[order]))
    return (decisive, WAVERING, LUCK) if image.joined == 1 else (decisive, SMOOTHED_WAVERING, 0.0)


def _blended(x: Array, y: Array, flux_adu: Array, within_px: float) -> tuple[Array, Array, Array]:
    """Stars (n,), brightest first, with those that are too near a brighter one joined to it."""
    if len(x) < 2:
        return x, y, flux_adu
    pairs = KDTree(np.column_stack([x, y])).query_pairs(within_px, output_type="ndarray")
    if not len(pairs):
        return x, y, flux_adu
    bright, faint = pairs.min(axis=1), pairs.max(axis=1)
    order = np.lexsort((bright, faint))
    bright, faint = bright[order], faint[order]
    first = np.unique(faint, return_index=True)[1]
    into = np.arange(len(x))
    for one, other in zip(bright[first].tolist(), faint[first].tolist(), strict=True):
        into[other] = into[one]  # of the brighter, which comes before, the place is known
    light: Array = np.bincount(into, flux_adu, len(x)).astype(np.float64)
    alone = np.flatnonzero(light > 0)
    joined_x, joined_y = (np.bincount(into, flux_adu * place, len(x)) for place in (x, y))
    light = light[alone]
    return joined_x[alone] / light, joined_y[alone] / light, light


def _spread_px(image: _Image, edge_px: float | Array) -> Array:
    """Standard deviation in one axis of the light within radii, of their shape."""
    seen = image.sought
    light = seen.level * seen.ring_px2
    inside = np.cumsum(light)
    moment = np.cumsum(light * seen.radius_px**2 / 2)
    variance = np.interp(edge_px, seen.radius_px, moment / np.maximum(inside, 1e-12))
    return np.asarray(np.sqrt(np.maximum(variance, 0.1)))


def _clipped(flux_adu: Array, image: _Image, ground: _Ground, share: float) -> Array:
    """The light (n,) of stars (n,) within the aperture, of which pixels hold no more than full."""
    seen = flux_adu * share
    full = np.flatnonzero(flux_adu * image.shown.level[0] > ground.top_adu)
    if len(full):
        levels = np.minimum(np.outer(flux_adu[full], image.shown.level), ground.top_adu)
        seen[full] = np.minimum(levels @ image.shown.ring_px2, seen[full])
    return np.asarray(seen)


def _core_fwhm_px(shown: Profile) -> float:
    """FWHM of the Gaussian whose logarithm fits the core's best; NaN for a hollow one."""
    core = shown.level > CORE * shown.level.max()
    square, log = shown.radius_px[core] ** 2, np.log(shown.level[core])
    weight = shown.level[core] ** 2 * shown.ring_px2[core]
    square_off, log_off = square - np.average(square, weights=weight), log
    slope = float(np.sum(weight * square_off * log_off) / np.sum(weight * square_off**2))
    return float(np.sqrt(-4 * np.log(2) / slope)) if slope < 0 else float("nan")


def _lay(
    stars: NDArray[np.void],
    blur: Blur,
    image: _Image,
    spread_px2: Array,
    noise_px2: Array,
    drawn: Array,
) -> None:
    """Fill in how long stars (n,) are and which way, from noisy second moments; `drawn` (3, n)."""
    whole = _spread_px(image, image.sought.radius_px[-1]) ** 2
    part = spread_px2 / whole  # of the moments, as far as the star stands above the threshold
    mean = spread_px2 + part * (blur.sigma_px**2 - _round_px2(blur))
    apart = part * (blur.var_x - blur.var_y) / 2
    apart = apart + noise_px2 * (drawn[0] - drawn[1]) / 2
    cross = part * blur.cov_xy + noise_px2 * drawn[2] / np.sqrt(2)
    long = np.minimum(np.hypot(apart, cross), 0.95 * mean)
    stars["ellipticity"] = 1 - np.sqrt((mean - long) / (mean + long))
    stars["long_axis_deg"] = np.degrees(np.arctan2(cross, apart)) / 2
