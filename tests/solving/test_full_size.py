"""Both solvers on one frame of 26 megapixels, the size of a common camera."""

import asyncio

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS

from frames.rendering import draw
from nightloom.frames import measure
from nightloom.solving import CatalogueSolver, FieldSolver, Hint
from solving.skies import SATURATION_ADU, installed

SHAPE = (4176, 6248)
SCALE_ARCSEC = 1.463
"""530 mm and pixels of 3.76 µm."""

CENTRE_DEG = (314.7, 44.3)


def sky() -> WCS:
    """The truth: in Cygnus, turned by 33°."""
    plane = WCS(naxis=2)
    plane.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    plane.wcs.crval = CENTRE_DEG
    plane.wcs.crpix = [SHAPE[1] / 2 + 0.5, SHAPE[0] / 2 + 0.5]
    plane.wcs.cdelt = [-SCALE_ARCSEC / 3600, SCALE_ARCSEC / 3600]
    plane.wcs.crota = [0.0, -33.0]
    return plane


@pytest.mark.long
@pytest.mark.servers
def test_the_catalogue_solver_and_astrometry_net_agree_at_26_megapixels() -> None:
    """Centres within 1″ and scales within 0.1 %: of each other, and of what was drawn."""
    radius_deg = 0.52 * float(np.hypot(*SHAPE)) * SCALE_ARCSEC / 3600
    stars = installed().cone(*CENTRE_DEG, radius_deg)
    x, y = sky().wcs_world2pix(stars.ra_deg, stars.dec_deg, 0)
    inside = (x > -5) & (x < SHAPE[1] + 5) & (y > -5) & (y < SHAPE[0] + 5)
    flux_adu = 4e5 * 10 ** (-0.4 * (stars.mag[inside] - 8))
    frame = draw(x[inside], y[inside], flux_adu, fwhm_px=2.5, shape=SHAPE)
    measured = measure(frame, saturation_adu=SATURATION_ADU, sample_px=None)
    hint = Hint(CENTRE_DEG[0], CENTRE_DEG[1] + 0.4, 1.0, 1.02 * SCALE_ARCSEC)
    ours, theirs = (
        asyncio.run(solver.solve(frame, measured, hint))
        for solver in (CatalogueSolver(installed()), FieldSolver(deadline_s=120))
    )
    middle = SkyCoord(*CENTRE_DEG, unit="deg")
    seen = [SkyCoord(one.ra_deg, one.dec_deg, unit="deg") for one in (ours, theirs)]
    assert seen[0].separation(seen[1]).arcsec < 1.0
    assert seen[0].separation(middle).arcsec < 1.0
    assert ours.scale_arcsec_per_px == pytest.approx(theirs.scale_arcsec_per_px, rel=1e-3)
    assert ours.scale_arcsec_per_px == pytest.approx(SCALE_ARCSEC, rel=1e-3)
