"""The main camera without pixels: the stars that measuring its picture would have found.

The light comes from the same view as the picture's; what a measurement makes of it, and how it
scatters, follows from the star's profile, from the noise of photons, sky and sensor, and from the
other stars. Tests hold both against measured pictures.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.physics.cameras import Window, sees_light
from nightloom_drivers.physics.cooler import Cooler
from nightloom_drivers.physics.crowd import Beside, Stars, beside, blended
from nightloom_drivers.physics.lightpath import MainLightPath
from nightloom_drivers.physics.measured_star import (
    MeasuredStar,
    axes_px2,
    has_room,
    joined_for,
    lie,
    measured_star,
)
from nightloom_drivers.physics.profile import Array
from nightloom_drivers.physics.psf import Blur, half_flux_radius_px
from nightloom_drivers.physics.view import View
from nightloom_drivers.rig_settings import OpticsSettings, SensorSettings
from nightloom_drivers.star_list import LISTED, StarList

LISTED_MAX = 2000
ROUNDING = 12**-0.5
"""Standard deviation, in numbers, of what the converter rounds away."""

CLIPPED_NOISE = 0.985
"""Of the noise of a pixel: what lies far out is not taken for noise."""

TYPICAL, ENOUGH = 50, 10
# Stars nearer to each other than so many half-flux radii are seen as one.
BLENDED_RADII = 2.3
# What pixels add to the noise of place and size, most where stars are hardly wider than they are.
PLACE_FLOOR_PX, SIZE_FLOOR_PX, SHARP_FLOOR_PX = 0.045, 0.01, 0.025
WIDE_SIZE_NOISE = 1.35


@dataclass(frozen=True)
class _Ground:
    """What stars stand on: level and noise of a pixel, ADU, and electrons to the ADU.

    `top_adu` is the highest level above the sky that a pixel reaches.
    """

    sky_adu: float
    noise_adu: float
    top_adu: float
    gain: float


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
        lit = sees_light(kind, s) and exposure_s > 0
        view = self.view(t_start_s, exposure_s) if lit else View.starless()
        sensor_c = self.cooler.temperature_c(t_start_s + exposure_s / 2)
        warmth = float(2 ** (sensor_c / s.doubling_c))
        ground = self._ground(view.glow_e_per_s * exposure_s, warmth * exposure_s, binning)
        shape = window.height // binning, window.width // binning
        field = self._light(view, exposure_s, window, binning, shape)
        return self._listed(shape, field, _scaled(view.blur, binning), ground)

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
    ) -> Stars:
        """The stars in a window, brightest first."""
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
        return Stars(x[inside], y[inside], flux_adu).of(order)

    def _listed(
        self, shape: tuple[int, int], field: Stars, blur: Blur, ground: _Ground
    ) -> StarList:
        """Of all stars in a frame of (rows, columns) those that are found, as they are measured."""
        star, found, others = self._seen(field, blur, ground, shape)
        along, across = axes_px2(blur)
        typical = np.array([np.median(found.flux_adu[:TYPICAL]) if len(found) else np.inf])
        spread_px2 = float(star.variance_px2(star.edge_px(typical))[0]) + (along - across) / 2
        aperture_px = star.aperture * float(np.sqrt(spread_px2))
        edge_px = star.edge_px(found.flux_adu)
        radius_px = star.shown.radius_of(0.5)
        area_px = shape[0] * shape[1]
        crowd = beside(found, others, edge_px, radius_px, aperture_px, area_px)
        stars = self._measured(found, crowd, star, ground, aperture_px)
        self._lay(stars, found, blur, star, ground)
        stars = stars[np.argsort(-stars["flux_adu"], kind="stable")]
        sharp = star
        if star.joined > 1:
            sharp = measured_star(blur, ground.noise_adu, 1, field.flux_adu, shape)
        return StarList(
            shape,
            stars[:LISTED_MAX],
            len(stars),
            ground.sky_adu,
            sharp.noise_adu,
            aperture_px,
            star.noise_adu * star.joined * aperture_px * np.pi**0.5,
        )

    def _seen(
        self, field: Stars, blur: Blur, ground: _Ground, shape: tuple[int, int]
    ) -> tuple[MeasuredStar, Stars, Stars]:
        """How stars are measured in a frame of (rows, columns), those that are found so, and all
        that shine beside them. Few wide ones are looked for in frames that were halved once more.
        """
        radius_px, joined = half_flux_radius_px(blur), joined_for(blur, min(shape))
        star = measured_star(blur, ground.noise_adu, joined, field.flux_adu, shape)
        found, others = self._found(field, star)
        while len(found) < ENOUGH and radius_px >= 4 * joined and has_room(joined, min(shape)):
            joined *= 2
            wider = measured_star(blur, ground.noise_adu, joined, field.flux_adu, shape)
            more, with_more = self._found(field, wider)
            if len(more) > len(found):
                star, found, others = wider, more, with_more
        return star, found, others

    def _found(self, field: Stars, star: MeasuredStar) -> tuple[Stars, Stars]:
        """Of stars, brightest first, those that stand above the noise, blends joined; and all,
        beginning with these.
        """
        level, wavering, luck = star.detection
        hopeful = field.flux_adu * level > (1 - 4 * wavering) * star.threshold_adu
        seen = blended(field.of(hopeful), BLENDED_RADII * star.sought.radius_of(0.5))
        noise = luck + wavering * self._rng.standard_normal(len(seen))
        stands = seen.flux_adu * level / star.threshold_adu + noise > 1
        found = seen.of(stands)
        return found, found.and_(seen.of(~stands)).and_(field.of(~hopeful))

    def _measured(
        self, found: Stars, crowd: Beside, star: MeasuredStar, ground: _Ground, aperture_px: float
    ) -> NDArray[np.void]:
        """Stars (n,) with the noise that their light, the sky's and that of others give: (n,) of
        dtype LISTED, their directions still 0.
        """
        flux_adu, drawn = found.flux_adu, self._rng.standard_normal((5, len(found)))
        stars, shown = np.zeros(len(found), LISTED), star.shown
        place_px = np.hypot(_place_noise_px(flux_adu, star, ground), PLACE_FLOOR_PX)
        stars["x"] = found.x + crowd.x_px + place_px * drawn[0]
        stars["y"] = found.y + crowd.y_px + place_px * drawn[1]
        share = shown.flux_within(aperture_px)
        noise = np.sqrt(
            flux_adu * share / ground.gain + np.pi * (star.sky_noise_adu * aperture_px) ** 2
        )
        stars["flux_adu"] = _clipped(flux_adu, star, ground, share)
        stars["flux_adu"] += crowd.light_adu + noise * drawn[2]
        off_px = np.hypot(found.x - np.rint(found.x), found.y - np.rint(found.y))
        level = np.interp(off_px * (star.joined == 1), star.sought.radius_px, star.sought.level)
        peak = flux_adu * level + ground.noise_adu * drawn[3] / star.joined
        stars["peak_adu"] = np.minimum(peak, ground.top_adu)
        radius_px = shown.radius_of(share / 2)
        steep = flux_adu * 2 * np.pi * radius_px
        steep *= float(np.interp(radius_px, shown.radius_px, shown.level))
        floor_px = SIZE_FLOOR_PX + SHARP_FLOOR_PX / (1 + star.whole_px2**4)
        unsure = 1.0 if star.joined == 1 else WIDE_SIZE_NOISE
        size_px = np.hypot(unsure * noise / 2 / steep, floor_px) * drawn[4]
        size_px += (crowd.light_adu / 2 - crowd.inside_adu) / steep
        grown = np.maximum(1 + size_px / radius_px, 0.05)
        stars["half_flux_radius_px"] = radius_px * grown
        stars["fwhm_px"] = star.core_fwhm_px * grown
        stars["spread_px2"] = star.whole_px2
        return stars

    def _lay(
        self,
        stars: NDArray[np.void],
        found: Stars,
        blur: Blur,
        star: MeasuredStar,
        ground: _Ground,
    ) -> None:
        """Fill in how long stars (n,) are and which way."""
        edge_px = star.edge_px(found.flux_adu)
        variance_px2 = star.variance_px2(edge_px)
        light = 2 * found.flux_adu / ground.gain * variance_px2**2
        noise = np.sqrt(light + np.pi / 8 * star.sky_noise_adu**2 * edge_px**6)
        noise_px2 = noise / (found.flux_adu * star.share_within(edge_px))
        drawn = self._rng.standard_normal((3, len(found)))
        lies = lie(blur, star, variance_px2, noise_px2, drawn)
        stars["ellipticity"], stars["long_axis_deg"] = lies


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


def _place_noise_px(flux_adu: Array, star: MeasuredStar, ground: _Ground) -> Array:
    """Standard error (n,) in one axis of the middle of what stands above the threshold."""
    edge_px = star.edge_px(flux_adu)
    light = flux_adu / ground.gain * star.variance_px2(edge_px)
    sky = np.pi / 4 * (star.sky_noise_adu * edge_px**2) ** 2
    return np.asarray(np.sqrt(light + sky) / (flux_adu * star.share_within(edge_px)))


def _clipped(flux_adu: Array, star: MeasuredStar, ground: _Ground, share: float) -> Array:
    """The light (n,) of stars (n,) within the aperture, of which pixels hold no more than full."""
    seen = flux_adu * share
    full = np.flatnonzero(flux_adu * star.shown.level[0] > ground.top_adu)
    if len(full):
        levels = np.minimum(np.outer(flux_adu[full], star.shown.level), ground.top_adu)
        seen[full] = np.minimum(levels @ star.shown.ring_px2, seen[full])
    return np.asarray(seen)
