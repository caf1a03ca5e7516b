"""A frame without pixels: what measuring its picture would have found."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Pixel x (along a row) and y (across rows) count from 0 at the middle of the first pixel.
LISTED = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("flux_adu", "f8"),
        ("peak_adu", "f8"),  # above the background
        ("half_flux_radius_px", "f8"),
        ("fwhm_px", "f8"),  # of the core
        ("spread_px2", "f8"),  # variance in one axis, wings included
        ("ellipticity", "f8"),  # 1 − b/a
        ("long_axis_deg", "f8"),  # from the x axis towards the y axis, −90 to 90
    ]
)

LISTED_NAMES: tuple[str, ...] = LISTED.names or ()


@dataclass(frozen=True, eq=False)
class StarList:
    """Stars of a frame of `shape` (rows, columns), brightest first, (n,) of dtype LISTED.

    `found` is how many there are, of which the list may leave out the faintest. `sky_adu` is the
    background with the bias, `noise_adu` the noise of a pixel of it. Light was measured within
    `aperture_px`, in which the sky's noise is `aperture_noise_adu`.
    """

    shape: tuple[int, int]
    stars: NDArray[np.void]
    found: int
    sky_adu: float
    noise_adu: float
    aperture_px: float
    aperture_noise_adu: float

    @property
    def nbytes(self) -> int:
        """What the stars take."""
        return self.stars.nbytes
