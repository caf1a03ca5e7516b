"""Guide stars by lists of stars, where the frames of a rehearsal have no pixels.

What a picture's measurement comes to is read off the list; what follows from it is the same.
"""

import numpy as np
from numpy.typing import NDArray

from nightloom.guiding.centroid import Measurement, believed, nothing_held, summary
from nightloom.guiding.hot_pixels import HotPixels
from nightloom.guiding.stars import APERTURE_FWHM, Floats, GuideStars, best_of, no_stars
from nightloom_drivers.star_list import StarList

FWHM_PER_SIGMA = 2.3548
# What stands in one place of several stars' windows, a pixel to either side.
SAME_PX = 1.5


def find_listed(
    frame: StarList,
    *,
    saturation_adu: float,
    count_max: int,
    margin_px: float,
    gain_e_per_adu: float = 1.0,
) -> GuideStars:
    """As `find_guide_stars`, of a frame's list of stars."""
    listed = frame.stars
    if not len(listed):
        return no_stars(gain_e_per_adu)
    flux = listed["flux_adu"]
    bright = listed["half_flux_radius_px"][flux >= np.median(flux)]
    fwhm_px = max(2 * float(np.median(bright)), 1.0)
    sky_noise_adu = frame.noise_adu * APERTURE_FWHM * fwhm_px * np.pi**0.5
    snr = flux / np.sqrt(np.maximum(flux, 0) / gain_e_per_adu + sky_noise_adu**2)
    every = GuideStars(listed["x"], listed["y"], flux, snr, fwhm_px, gain_e_per_adu)
    return best_of(
        every,
        listed["peak_adu"] + frame.sky_adu,
        frame.shape,
        saturation_adu=saturation_adu,
        count_max=count_max,
        margin_px=margin_px,
    )


def measure_listed(
    frame: StarList,
    stars: GuideStars,
    *,
    radius_px: int,
    near_px: tuple[float, float] = (0.0, 0.0),
) -> Measurement:
    """As `measure`, of a frame's list of stars."""
    height, width = frame.shape
    column = np.rint(np.nan_to_num(stars.x_px + near_px[0]))
    row = np.rint(np.nan_to_num(stars.y_px + near_px[1]))
    visible = np.flatnonzero(
        (column >= radius_px)
        & (column < width - radius_px)
        & (row >= radius_px)
        & (row < height - radius_px)
    )
    if len(visible) == 0:
        return nothing_held(len(stars))
    listed = frame.stars
    place = np.stack([listed["x"], listed["y"]])
    middle = np.stack([column[visible], row[visible]])
    off = np.abs(place[:, None, :] - middle[:, :, None])
    in_window = (off[0] < radius_px) & (off[1] < radius_px)
    rest = np.stack([stars.x_px[visible], stars.y_px[visible]])
    away = place[:, None, :] - rest[:, :, None]
    relative = listed["flux_adu"] / stars.flux_adu[visible, None]
    shift = _common_shift(away, relative, in_window)
    moved, which = _moved(away, in_window, shift, stars.fwhm_px)
    flux, snr, fwhm_px = _light(frame, stars, which, moved - shift[:, None])
    error, held = believed(moved, shift, fwhm_px, snr, stars.fwhm_px)
    light, spread_px2 = flux[held], np.append(frame.stars["spread_px2"], 0.0)[which[held]]
    width_px = (
        FWHM_PER_SIGMA * float(np.sqrt(light @ spread_px2 / light.sum())) if len(light) else np.nan
    )
    return summary(stars, visible, held, moved, error, snr, flux, fwhm_px, width_px)


def as_it_is(_: HotPixels, frame: StarList) -> StarList:
    """As `HotPixels.mended`."""
    return frame


def unchanged(hot: HotPixels, _: StarList) -> HotPixels:
    """As `HotPixels.learned`: a list of stars has no hot pixels."""
    return hot


def _common_shift(away: Floats, relative: Floats, in_window: NDArray[np.bool_]) -> Floats:
    """The shift (2,) that the most light agrees on, each star's (m,) clipped: of the places
    ``away`` (2, m, n) from where stars were, those in their windows, (m, n). None is no shift.
    """
    light = np.where(in_window, relative, 0.0)
    ways = away[:, in_window]
    if not ways.shape[1]:
        return np.zeros(2)
    highest = np.sort(light.max(axis=1))
    most = 1.2 * highest[(len(highest) - 1) // 2]
    weight = np.minimum(light[in_window], most) if most > 0 else light[in_window]
    apart = np.abs(ways[:, :, None] - ways[:, None, :])
    near = (apart[0] < SAME_PX) & (apart[1] < SAME_PX)
    best = near[(near @ weight).argmax()]
    found: Floats = ways[:, best] @ weight[best] / weight[best].sum()
    return found


def _moved(
    away: Floats, in_window: NDArray[np.bool_], shift: Floats, fwhm_px: float
) -> tuple[Floats, NDArray[np.intp]]:
    """How far each of m stars moved (2, m), and which of the listed ones it is (m,): the nearest
    to where the common shift leads it, or -1 and that shift.
    """
    off = np.hypot(*(away - shift[:, None, None]))
    off = np.where(in_window, off, np.inf)
    moved = np.repeat(shift[:, None], len(off), axis=1)
    which = np.full(len(off), -1)
    if off.shape[1]:
        nearest = off.argmin(axis=1)
        seen = np.flatnonzero(off[np.arange(len(off)), nearest] < fwhm_px + 1.0)
        which[seen] = nearest[seen]
        moved[:, seen] = away[:, seen, nearest[seen]]
    return moved, which


def _light(
    frame: StarList, stars: GuideStars, which: NDArray[np.intp], off: Floats
) -> tuple[Floats, Floats, Floats]:
    """Light in the reference's aperture, its signal to noise, and FWHM, (m,) each, of the listed
    stars ``which``, (m,), that stand ``off`` (2, m) from their apertures' middles; 0 for -1.
    """
    aperture_px = APERTURE_FWHM * stars.fwhm_px
    listed = frame.stars[which] if len(frame.stars) else np.zeros(len(which), frame.stars.dtype)
    sigma_px = listed["fwhm_px"] / FWHM_PER_SIGMA
    room_px = np.maximum(aperture_px - np.hypot(*off), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        inside = -np.expm1(-(room_px**2) / (2 * sigma_px**2))
    seen = which >= 0
    flux = np.where(seen, listed["flux_adu"] * inside, 0.0)
    sky_noise_adu = frame.aperture_noise_adu * aperture_px / frame.aperture_px
    snr = flux / np.sqrt(np.maximum(flux, 0) / stars.gain_e_per_adu + sky_noise_adu**2)
    return flux, snr, np.where(seen, np.maximum(listed["fwhm_px"], 1.0), stars.fwhm_px)
