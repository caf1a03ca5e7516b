"""The stars of a frame without pixels, as measuring its picture describes them."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from nightloom.frames.background import Sky
from nightloom.frames.look import (
    GROWTH_MAX,
    GROWTH_RADII,
    SLACK_SIGMAS,
    STAR,
    chosen,
    crowded,
)
from nightloom.frames.stars import StarField, described
from nightloom_drivers.star_list import LISTED_NAMES, StarList


def measure_listed(frame: StarList, saturation_adu: float) -> StarField:
    """As `measure`, of a frame's list of stars; one cut off by the list is counted all the same."""
    listed = frame.stars
    stars = np.zeros(len(listed), STAR)
    for name in set(STAR.names or ()) & set(LISTED_NAMES):
        stars[name] = listed[name]
    stars["snr"] = stars["flux_adu"] / frame.aperture_noise_adu
    stars["saturated"] = stars["peak_adu"] + frame.sky_adu >= saturation_adu
    rows, columns = frame.shape
    x, y = stars["x"], stars["y"]
    room_px = np.minimum.reduce([x, y, columns - 1 - x, rows - 1 - y])
    stars["cut"] = room_px < frame.aperture_px
    stars["crowded"] = crowded(stars, frame.aperture_px) | _not_alone(stars, frame)
    for name in ("half_flux_radius_px", "fwhm_px"):
        stars[name][~chosen(stars, frame.shape)] = np.nan
    field = described(stars, frame.shape, Sky(frame.sky_adu, frame.noise_adu), frame.found)
    return replace(field, saturated_fraction=float(frame.sky_adu >= saturation_adu))


def _not_alone(stars: NDArray[np.void], frame: StarList) -> NDArray[np.bool_]:
    """Which of n stars have so much light of others round their apertures that a wider circle
    holds more than it should of one star: (n,). See `look`.
    """
    beside_adu = np.zeros(len(stars))
    if len(stars) > 1:
        tree = KDTree(np.column_stack([stars["x"], stars["y"]]))
        one, other = tree.query_pairs(GROWTH_RADII * frame.aperture_px, output_type="ndarray").T
        apart_px = np.hypot(
            stars["x"][one] - stars["x"][other], stars["y"][one] - stars["y"][other]
        )
        ring = apart_px > frame.aperture_px
        for mine, theirs in ((one[ring], other[ring]), (other[ring], one[ring])):
            beside_adu += np.bincount(mine, stars["flux_adu"][theirs], len(stars))
    slack_adu = SLACK_SIGMAS * frame.aperture_noise_adu * np.sqrt(GROWTH_RADII**2 - 1)
    return np.asarray(beside_adu > GROWTH_MAX * stars["flux_adu"] + slack_adu)
