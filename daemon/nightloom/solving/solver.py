"""What every plate solver takes, gives and raises."""

import math
from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from nightloom.frames import StarField
from nightloom.frames.image import Frame, Image


@dataclass(frozen=True)
class Hint:
    """Where a frame should be (ICRS), how far off it may be, and its scale.

    `scale_tolerance` is relative. `mirrored` is None when it is not known; see Solution.
    """

    ra_deg: float
    dec_deg: float
    radius_deg: float
    scale_arcsec_per_px: float
    scale_tolerance: float = 0.05
    mirrored: bool | None = None


@dataclass(frozen=True, eq=False)
class Solution:
    """Where a frame is: its centre (ICRS), and how the sky lies on it.

    `rotation_deg` is the position angle of the direction of increasing row, from north through
    east, 0 to 360. A frame is `mirrored` when no turn of the sky, seen with columns to the right
    and rows upwards, gives it. `wcs` takes 0-based pixels with origin 0.
    """

    ra_deg: float
    dec_deg: float
    scale_arcsec_per_px: float
    rotation_deg: float
    mirrored: bool
    wcs: WCS
    matched_stars: int

    @classmethod
    def of(cls, wcs: WCS, shape: tuple[int, int], matched_stars: int) -> Self:
        """The solution that a world coordinate system means for a frame of (rows, columns)."""
        rows, columns = shape
        ra_deg, dec_deg = wcs.wcs_pix2world([[(columns - 1) / 2, (rows - 1) / 2]], 0)[0]
        matrix = wcs.pixel_scale_matrix
        determinant = float(np.linalg.det(matrix))
        return cls(
            ra_deg=float(ra_deg),
            dec_deg=float(dec_deg),
            scale_arcsec_per_px=3600 * math.sqrt(abs(determinant)),
            rotation_deg=math.degrees(math.atan2(matrix[0, 1], matrix[1, 1])) % 360,
            mirrored=determinant > 0,
            wcs=wcs,
            matched_stars=matched_stars,
        )


def tangent_plane(
    ra_deg: float, dec_deg: float, pixel: NDArray[np.float64], matrix: NDArray[np.float64]
) -> WCS:
    """A TAN projection that puts a place on a 0-based pixel (2,); `matrix` (2, 2) is in degrees per
    pixel.
    """
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.radesys = "ICRS"
    wcs.wcs.crval = [ra_deg, dec_deg]
    wcs.wcs.crpix = pixel + 1
    wcs.wcs.cd = matrix
    return wcs


class NotSolved(Exception):
    """No place was found for a frame: what was hinted and what was seen."""

    def __init__(self, hint: Hint, seen: str) -> None:
        super().__init__(hint, seen)
        self.hint, self.seen = hint, seen

    def __str__(self) -> str:
        hint = self.hint
        place = f"{hint.radius_deg:g}° around RA {hint.ra_deg:.4f}° Dec {hint.dec_deg:+.4f}°"
        return f"not solved within {place} at {hint.scale_arcsec_per_px:.3f}″/px: {self.seen}"


class Solver(Protocol):
    """Finds where a frame points."""

    async def solve(self, frame: Image | Frame, stars: StarField | None, hint: Hint) -> Solution:
        """Solve a frame of (rows, columns) ADU, from its stars when they are measured already.

        Raises NotSolved.
        """
        ...
