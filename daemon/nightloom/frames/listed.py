"""The stars of a frame without pixels, as measuring its picture describes them."""

from dataclasses import replace

import numpy as np

from nightloom.frames.background import Sky
from nightloom.frames.look import STAR, chosen, crowded
from nightloom.frames.stars import StarField, described
from nightloom_drivers.star_list import LISTED, StarList


def measure_listed(frame: StarList, saturation_adu: float) -> StarField:
    """As `measure`, of a frame's list of stars; one cut off by the list is counted all the same."""
    listed = frame.stars
    stars = np.zeros(len(listed), STAR)
    for name in LISTED.names or ():
        stars[name] = listed[name]
    stars["snr"] = stars["flux_adu"] / frame.aperture_noise_adu
    stars["saturated"] = stars["peak_adu"] + frame.sky_adu >= saturation_adu
    rows, columns = frame.shape
    x, y = stars["x"], stars["y"]
    room_px = np.minimum.reduce([x, y, columns - 1 - x, rows - 1 - y])
    stars["cut"] = room_px < frame.aperture_px
    stars["crowded"] = crowded(stars, frame.aperture_px)
    for name in ("half_flux_radius_px", "fwhm_px"):
        stars[name][~chosen(stars, frame.shape)] = np.nan
    field = described(stars, frame.shape, Sky(frame.sky_adu, frame.noise_adu), frame.found)
    return replace(field, saturated_fraction=float(frame.sky_adu >= saturation_adu))
