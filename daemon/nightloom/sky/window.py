"""When a target can be imaged."""

import numpy as np
from numpy.typing import NDArray

from nightloom.sky.altitude import altitude_azimuth
from nightloom.sky.interval import Interval, intervals_above
from nightloom.sky.site import Horizon, Site

_SAMPLE_S = 60.0

Floats = NDArray[np.float64]


def window(
    site: Site,
    target: tuple[float, float],
    floor_deg: float,
    horizon: Horizon,
    dark: Interval,
) -> list[Interval]:
    """The parts of `dark` in which a target stands above both its floor and the horizon.

    `target` is its ICRS right ascension and declination in degrees. Edges are good to a few
    seconds, except where the horizon profile is as steep as a wall.
    """
    moments = dark.grid(_SAMPLE_S)
    return visible(moments, *altitude_azimuth(site, *target, moments), floor_deg, horizon)


def visible(
    unix_s: Floats, altitude_deg: Floats, azimuth_deg: Floats, floor_deg: float, horizon: Horizon
) -> list[Interval]:
    """When a sampled path is above both its floor and the horizon.

    Moments, altitudes and azimuths are (n,) and finite.
    """
    lowest_deg = horizon.altitude_deg(azimuth_deg).clip(min=floor_deg)
    return intervals_above(unix_s, altitude_deg - lowest_deg)
