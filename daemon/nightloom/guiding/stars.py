"""Choosing guide stars: bright enough, alone, whole, and not a hot pixel."""

from dataclasses import dataclass, replace

import numpy as np
import sep
from numpy.typing import NDArray

from nightloom.frames.image import Pixels

Floats = NDArray[np.float64]

DETECTION_SIGMA = 5.0
# A star this strong is placed to about a twentieth of its FWHM, which is what guiding needs.
SNR_MIN = 10.0
# Scintillation and better seeing raise a peak by some tenths: leave room below saturation.
SATURATION_HEADROOM = 0.8
# A star of FWHM 0.95 px (4″ on a small guide telescope) centred on a pixel puts 0.62 of its light
# there; a hot pixel that would pass for a guide star has more than 0.9 of its 3×3 block's.
SINGLE_PIXEL_SHARE = 0.75
# A neighbour with this share of the light pulls a windowed centroid noticeably.
NEIGHBOUR_SHARE = 0.05
# A Gaussian star holds 99.8 % of its light within 1.5 FWHM.
APERTURE_FWHM = 1.5
# Rounding to whole ADU is noise too; keeps a noiseless frame finite.
ROUNDING_ADU = 12**-0.5


@dataclass(frozen=True, eq=False)
class GuideStars:
    """The chosen stars, brightest first, and what later frames are measured against.

    ``x_px``, ``y_px``, ``flux_adu`` and ``snr`` have shape (n,), n may be 0. Positions count from
    0 at the centre of the first pixel, x along the columns. ``fwhm_px`` is their median FWHM.
    """

    x_px: Floats
    y_px: Floats
    flux_adu: Floats
    snr: Floats
    fwhm_px: float
    gain_e_per_adu: float = 1.0

    def __len__(self) -> int:
        return len(self.x_px)

    def shifted(self, dx_px: float | Floats, dy_px: float | Floats) -> "GuideStars":
        """The same stars with the hold point moved, as after a dither, or each by its own way."""
        return replace(self, x_px=self.x_px + dx_px, y_px=self.y_px + dy_px)


def find_guide_stars(
    image: Pixels,
    *,
    saturation_adu: float,
    count_max: int,
    margin_px: float,
    gain_e_per_adu: float = 1.0,
) -> GuideStars:
    """Choose up to ``count_max`` guide stars in ``image`` (rows, columns), brightest first.

    Left out: stars whose peak is near ``saturation_adu``, stars within ``margin_px`` of an edge
    or with a neighbour within twice the aperture, and hot pixels. No star is a result of
    length 0, not an error. The image has no NaN.
    """
    pixels = np.ascontiguousarray(image, dtype=np.float32)
    background = sep.Background(pixels)
    sky = pixels - background.back()
    noise_adu = max(float(background.globalrms), ROUNDING_ADU)
    found = sep.extract(sky, DETECTION_SIGMA, err=noise_adu)
    found = found[~_is_hot_pixel(sky, found["xpeak"], found["ypeak"])]
    if len(found) == 0:
        return no_stars(gain_e_per_adu)

    x, y = found["x"].astype(np.float64), found["y"].astype(np.float64)
    fwhm_px = _typical_fwhm(sky, found)
    aperture_px = APERTURE_FWHM * fwhm_px
    flux, _, _ = sep.sum_circle(sky, x, y, aperture_px)
    noise = np.sqrt(np.maximum(flux, 0) / gain_e_per_adu + np.pi * (aperture_px * noise_adu) ** 2)
    snr = flux / noise

    peak = pixels[found["ypeak"], found["xpeak"]]
    every = GuideStars(x, y, flux, snr, fwhm_px, gain_e_per_adu)
    return best_of(
        every,
        peak,
        sky.shape,
        saturation_adu=saturation_adu,
        count_max=count_max,
        margin_px=margin_px,
    )


def best_of(
    every: GuideStars,
    peak_adu: NDArray[np.floating],
    shape: tuple[int, ...],
    *,
    saturation_adu: float,
    count_max: int,
    margin_px: float,
) -> GuideStars:
    """Of all n > 0 stars of a frame of (rows, columns), those to guide on; `peak_adu` (n,) are
    their highest pixels, sky included. See `find_guide_stars`.
    """
    height, width = shape
    x, y, flux = every.x_px, every.y_px, every.flux_adu
    aperture_px = APERTURE_FWHM * every.fwhm_px
    margin = max(margin_px, aperture_px)
    inside = (x >= margin) & (x <= width - 1 - margin) & (y >= margin) & (y <= height - 1 - margin)
    unsaturated = peak_adu < SATURATION_HEADROOM * saturation_adu
    alone = ~_has_neighbour(x, y, flux, 2 * aperture_px)
    good = np.flatnonzero(inside & unsaturated & alone & (every.snr >= SNR_MIN))
    best = good[np.argsort(-flux[good], kind="stable")][:count_max]
    if len(best) == 0:
        return no_stars(every.gain_e_per_adu)
    return replace(every, x_px=x[best], y_px=y[best], flux_adu=flux[best], snr=every.snr[best])


def no_stars(gain_e_per_adu: float) -> GuideStars:
    """What a frame shows in which none is fit."""
    none = np.empty(0)
    return GuideStars(none, none, none, none, float("nan"), gain_e_per_adu)


def _is_hot_pixel(
    sky: NDArray[np.float32], x: NDArray[np.int64], y: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Whether one pixel holds most of the light of its 3×3 block: (n,) for peaks at ``x``, ``y``
    (n,) of ``sky`` (rows, columns).
    """
    padded = np.pad(sky, 1)
    step = np.arange(3)
    blocks = padded[y[:, None, None] + step[:, None], x[:, None, None] + step]
    light = np.maximum(blocks, 0).sum(axis=(1, 2))
    hot: NDArray[np.bool_] = sky[y, x] > SINGLE_PIXEL_SHARE * light
    return hot


def _typical_fwhm(sky: NDArray[np.float32], found: NDArray[np.void]) -> float:
    """Median half-flux diameter, which is the FWHM of a Gaussian star, of the brighter half
    of what sep ``found``, (n,) with n > 0.
    """
    bright = found[found["flux"] >= np.median(found["flux"])]
    radius, _ = sep.flux_radius(
        sky, bright["x"], bright["y"], 4 * np.maximum(bright["a"], 1.0), 0.5, subpix=5
    )
    return max(2 * float(np.median(radius)), 1.0)


def _has_neighbour(x: Floats, y: Floats, flux: Floats, distance_px: float) -> NDArray[np.bool_]:
    """Which of n stars have another one near that is bright enough to disturb: (n,) from (n,)."""
    disturbing = np.hypot(x[:, None] - x, y[:, None] - y) < distance_px
    disturbing &= flux[None, :] > NEIGHBOUR_SHARE * flux[:, None]
    np.fill_diagonal(disturbing, False)
    disturbed: NDArray[np.bool_] = np.logical_or.reduce(disturbing, axis=1)
    return disturbed
