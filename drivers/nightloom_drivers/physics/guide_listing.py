"""The guide camera without pixels: the stars that measuring its picture would have found."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.physics.cameras import Window
from nightloom_drivers.physics.lightpath import GuideLightPath
from nightloom_drivers.physics.profile import Array
from nightloom_drivers.physics.view import View
from nightloom_drivers.physics.weather import Weather
from nightloom_drivers.rig_settings import SensorSettings
from nightloom_drivers.star_list import LISTED, StarList

LISTED_MAX = 60
SNR_MIN = 3.0
FWHM_PER_SIGMA = 2.354820045
HALF_FLUX_PER_SIGMA = 1.17741
ROUNDING = 12**-0.5
APERTURE_FWHM = 1.5
# The sky under a star is the median of so many pixels round it.
SKY_PX = 216.0
WINGS_FWHM = 2.5
# Stars hardly wider than a pixel seem wider and narrower as they lie on it: px² for 1 px².
SPREAD_FLOOR_PX4 = 0.01
# A centroid is weighted by a Gaussian of so many times the star's variance, no narrower than this.
WINDOW_RATIO, WINDOW_VAR_MIN_PX2 = 2.0, 1.5


class GuideStars:
    """The small uncooled camera on the guide telescope, which lists stars in place of pixels."""

    def __init__(
        self,
        settings: SensorSettings,
        path: GuideLightPath,
        weather: Weather,
        jitter_arcsec: float,
        arcsec_per_px: float,
        stream: np.random.SeedSequence,
    ) -> None:
        self.settings = settings
        self._path, self._weather = path, weather
        self._jitter_px = jitter_arcsec / arcsec_per_px
        self._rng = np.random.default_rng(stream)

    def view(self, t_start_s: float, exposure_s: float) -> View:
        """Return the stars and the glow of an exposure that has ended; see `GuideCamera.view`."""
        view = self._path.view(t_start_s, exposure_s)
        return view.shaken(exposure_s, self._jitter_px, self._rng)

    def expose(
        self,
        t_start_s: float,
        exposure_s: float,
        kind: FrameKind = FrameKind.LIGHT,
        window: Window | None = None,
    ) -> StarList:
        """Return the stars of a frame, when its exposure has ended; see `GuideCamera.expose`."""
        s = self.settings
        window = window or Window(0, 0, s.width_px, s.height_px)
        exposure_s = 0.0 if kind is FrameKind.BIAS else exposure_s
        lit = kind in (FrameKind.LIGHT, FrameKind.FLAT) and exposure_s > 0
        view = self.view(t_start_s, exposure_s) if lit else View.starless()
        warmth = 2 ** ((self._weather.temperature_c(t_start_s) + 5.0) / s.doubling_c)
        sky_e = view.glow_e_per_s * exposure_s + s.dark_e_per_s * warmth * exposure_s
        noise_adu = float(np.hypot(np.sqrt(sky_e + s.read_noise_e**2) / s.gain_e_per_adu, ROUNDING))
        return self._listed(view, exposure_s, window, sky_e / s.gain_e_per_adu, noise_adu)

    def _listed(
        self, view: View, exposure_s: float, window: Window, sky_adu: float, noise_adu: float
    ) -> StarList:
        """The stars of a view in a window, on a sky of this level and noise in a pixel."""
        gain, variance = self.settings.gain_e_per_adu, view.blur.sigma_px**2 + 1 / 12
        aperture_px = APERTURE_FWHM * FWHM_PER_SIGMA * float(np.sqrt(variance))
        area_px = np.pi * aperture_px**2
        sky_noise_adu = noise_adu * float(np.sqrt(area_px + area_px**2 * np.pi / 2 / SKY_PX))
        x, y = view.x - window.x, view.y - window.y
        flux = view.flux_e_per_s * (exposure_s / gain)
        hopeful = np.flatnonzero(
            (flux > 0.3 * SNR_MIN * sky_noise_adu)
            & (x > -0.5)
            & (x < window.width - 0.5)
            & (y > -0.5)
            & (y < window.height - 0.5)
        )
        x, y, flux = x[hopeful], y[hopeful], flux[hopeful]
        noise = np.sqrt(flux / gain + sky_noise_adu**2)
        stars = self._measured(x, y, flux, noise, noise_adu, variance, view.blur.sigma_px)
        room_adu = min(self.settings.full_well_e / gain, self._top_adu) - sky_adu
        stars["peak_adu"] = np.minimum(stars["peak_adu"], room_adu)
        stars = stars[stars["flux_adu"] > SNR_MIN * noise]
        stars = stars[np.argsort(-stars["flux_adu"], kind="stable")]
        return StarList(
            (window.height, window.width),
            stars[:LISTED_MAX],
            len(stars),
            self.settings.bias_adu + sky_adu,
            noise_adu,
            aperture_px,
            sky_noise_adu,
        )

    @property
    def _top_adu(self) -> float:
        """The highest number of a pixel, above the bias."""
        return float(2**self.settings.bits - 1) - self.settings.bias_adu

    def _measured(
        self,
        x: Array,
        y: Array,
        flux: Array,
        noise: Array,
        noise_adu: float,
        variance: float,
        sigma_px: float,
    ) -> NDArray[np.void]:
        """Stars (n,) of some light and the noise of that, ADU, on this noise of a pixel: (n,)."""
        drawn, photons = self._rng.standard_normal((6, len(x))), flux / self.settings.gain_e_per_adu
        window_var = max(WINDOW_RATIO * variance, WINDOW_VAR_MIN_PX2)
        away_px = _place_noise(variance, window_var, flux, photons, noise_adu)
        fwhm_px = FWHM_PER_SIGMA * float(np.sqrt(variance))
        blown = _spread_noise(variance, WINGS_FWHM * fwhm_px, flux, photons, noise_adu)
        blown = np.hypot(blown, SPREAD_FLOOR_PX4 / variance)
        # light is summed as if it lay evenly over each pixel, which widens stars once more
        wider = float(np.sqrt(1 + 1 / 12 / variance)) * HALF_FLUX_PER_SIGMA / FWHM_PER_SIGMA
        stars = np.zeros(len(x), LISTED)
        stars["x"], stars["y"] = x + away_px * drawn[1], y + away_px * drawn[2]
        stars["flux_adu"] = flux + noise * drawn[0]
        stars["peak_adu"] = flux * _share_of_pixel(x, y, sigma_px) + noise_adu * drawn[4]
        stars["fwhm_px"] = fwhm_px * np.maximum(1 + drawn[3] * noise / flux / np.sqrt(2), 0.3)
        stars["half_flux_radius_px"] = stars["fwhm_px"] * wider
        stars["spread_px2"] = np.maximum(variance + blown * drawn[5], 1e-3)
        return stars


def _place_noise(
    variance: float, window_var: float, flux: Array, photons: Array, noise_adu: float
) -> Array:
    """Standard error (n,) in one axis of a Gaussian-windowed centroid.

    The weighted mean of the offsets is window / (star + window) of a star's own, and its noise the
    square root of ∫ W² x² over light and sky: integrals of products of Gaussians.
    """
    half = window_var / 2
    light = photons * half / (variance + half) * (variance * half / (variance + half))
    sky = noise_adu**2 * np.pi * window_var**2 / 2
    total = flux * window_var / (variance + window_var)
    return np.asarray((1 + variance / window_var) * np.sqrt(light + sky) / total)


def _spread_noise(
    variance: float, reach_px: float, flux: Array, photons: Array, noise_adu: float
) -> Array:
    """Standard error (n,) in px² of half the mean square of a star's light's distances, as far as
    it is looked at: of ∫ r⁴ over light and sky, and of ∫ r² over what the sky is taken for.
    """
    sky = np.pi / 3 * reach_px**6 + (np.pi / 2 * reach_px**4) ** 2 * np.pi / 2 / SKY_PX
    return np.asarray(np.sqrt(8 * photons * variance**2 + noise_adu**2 * sky) / (2 * flux))


def _share_of_pixel(x: Array, y: Array, sigma_px: float) -> Array:
    """The part (n,) of their light that stars at (n,) put into the pixel that they stand on."""
    share = np.ones(len(x))
    for place in (x, y):
        off = place - np.rint(place)
        near, far = (0.5 - off) / (np.sqrt(2) * sigma_px), (-0.5 - off) / (np.sqrt(2) * sigma_px)
        share *= (erf(near) - erf(far)) / 2
    return share
