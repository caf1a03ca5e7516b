"""What a second of a target is worth."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightloom.sky import dark_sky_nl
from nightloom.sky.moonlight import EXTINCTION_V

NARROW_NM = 100.0
"""A filter this wide or wider takes moonlight in full."""


STAR_AREA_EXPONENT = 1.2
"""Of the airmass, which the area of a star goes by: twice that of seeing (Fried 1966, JOSA 56,
1372: the coherence length goes as airmass^−0.6)."""


def priority_weight(priority: int, *, nearly_complete: bool = False) -> float:
    """1 for priority 1, and half of that for each number further; twice as much for what is nearly
    complete.
    """
    return float(2.0 ** (1 - priority + nearly_complete))


def moonlight_part(bandwidth_nm: float | None) -> float:
    """How much the moonlight counts for a filter: in proportion to its pass band up to 100 nm.

    Behind a narrow filter the camera's own noise stands beside that of the sky, and does not grow
    with the Moon. A rule of thumb: common practice, no source.
    """
    return 1.0 if bandwidth_nm is None else min(1.0, bandwidth_nm / NARROW_NM)


def sky_quality(airmass: ArrayLike, sky_nl: ArrayLike) -> NDArray[np.float64]:
    """The square of the signal to noise of a second, against one at the dark zenith.

    A faint object over a bright sky: its light goes with the transparency of the air,
    10^(−0.4 k (X − 1)), its noise with the root of the sky's brightness. 0 below the horizon, where
    the airmass is NaN. Arguments broadcast, and nothing comes out NaN.
    """
    transparency = 10.0 ** (-0.4 * EXTINCTION_V * (np.asarray(airmass) - 1.0))
    quality = transparency**2 * dark_sky_nl(0.0) / np.asarray(sky_nl)
    return np.asarray(np.nan_to_num(np.minimum(quality, 1.0)))
