"""Frames of the real sky, drawn at a known place."""

from dataclasses import dataclass

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from frames.rendering import draw
from nightloom.frames import StarField, measure
from nightloom.solving import Hint
from nightloom_drivers.catalogue import Catalogue, tycho2

SHAPE = (768, 1024)
SATURATION_ADU = 64000.0


@dataclass(frozen=True)
class Field:
    """A 1024×768 frame of Tycho-2 stars with its centre at a place.

    `rotation_deg` is the position angle of the upward direction, `mirrored` as in a Solution.
    """

    ra_deg: float
    dec_deg: float
    scale_arcsec_per_px: float = 2.92  # 530 mm and 7.5 µm
    rotation_deg: float = 0.0
    mirrored: bool = False

    def wcs(self) -> WCS:
        """The truth, built from CDELT and CROTA as the FITS standard defines them."""
        plane = WCS(naxis=2)
        plane.wcs.ctype = ["RA---TAN", "DEC--TAN"]
        plane.wcs.crval = [self.ra_deg, self.dec_deg]
        plane.wcs.crpix = [SHAPE[1] / 2 + 0.5, SHAPE[0] / 2 + 0.5]
        step_deg = self.scale_arcsec_per_px / 3600
        plane.wcs.cdelt = [step_deg if self.mirrored else -step_deg, step_deg]
        plane.wcs.crota = [0.0, -self.rotation_deg]
        return plane

    def frame(self) -> NDArray[np.uint16]:
        """The pixels; a star of magnitude 8 has 4·10⁵ ADU."""
        stars = installed().cone(self.ra_deg, self.dec_deg, self.radius_deg)
        x, y = self.wcs().wcs_world2pix(stars.ra_deg, stars.dec_deg, 0)
        inside = (x > -5) & (x < SHAPE[1] + 5) & (y > -5) & (y < SHAPE[0] + 5)
        flux_adu = 4e5 * 10 ** (-0.4 * (stars.mag[inside] - 8))
        return draw(x[inside], y[inside], flux_adu, fwhm_px=2.5, shape=SHAPE)

    def measured(self) -> StarField:
        """The stars as the daemon measures them."""
        return measure(self.frame(), saturation_adu=SATURATION_ADU)

    def hint(self, off_deg: float = 0.0, mirrored: bool | None = None) -> Hint:
        """A hint that lies to the north-east of the truth, and 2 % off in scale."""
        diagonal_deg = off_deg / np.sqrt(2)
        return Hint(
            (self.ra_deg + diagonal_deg / np.cos(np.radians(self.dec_deg))) % 360,
            self.dec_deg + diagonal_deg,
            radius_deg=1.0,
            scale_arcsec_per_px=1.02 * self.scale_arcsec_per_px,
            mirrored=mirrored,
        )

    @property
    def radius_deg(self) -> float:
        """From the centre to a corner, and a little more."""
        return 0.52 * float(np.hypot(*SHAPE)) * self.scale_arcsec_per_px / 3600


def installed() -> Catalogue:
    """The catalogue, which the tests cannot do without."""
    catalogue = tycho2()
    assert catalogue is not None, "astrometry-data-tycho2 is not installed"
    return catalogue
