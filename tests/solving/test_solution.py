"""What a solution says about a frame, against astropy's spherical geometry."""

import pickle

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from nightloom.solving import Hint, NotSolved, Solution
from solving.skies import SHAPE, Field

FIELDS = st.builds(
    Field,
    ra_deg=st.floats(0, 359.99),
    dec_deg=st.floats(-85, 85),
    scale_arcsec_per_px=st.floats(0.5, 5),
    rotation_deg=st.floats(0, 359.99),
    mirrored=st.booleans(),
)


@given(FIELDS)
def test_a_solution_says_what_the_sky_looks_like(field: Field) -> None:
    """Centre, scale, parity, and the position angle of the upward direction."""
    solution = Solution.of(field.wcs(), SHAPE, matched_stars=9)
    centre = SkyCoord(field.ra_deg, field.dec_deg, unit="deg")
    assert centre.separation(SkyCoord(solution.ra_deg, solution.dec_deg, unit="deg")).arcsec < 1e-3
    assert solution.scale_arcsec_per_px == pytest.approx(field.scale_arcsec_per_px)
    assert solution.mirrored == field.mirrored
    above = SkyCoord(*field.wcs().wcs_pix2world(511.5, 384.5, 0), unit="deg")
    turned = centre.position_angle(above).deg - solution.rotation_deg
    assert (turned + 180) % 360 - 180 == pytest.approx(0, abs=1e-3)


def test_a_solution_passes_between_processes() -> None:
    field = Field(314.7, 44.3, rotation_deg=77)
    solution = Solution.of(field.wcs(), SHAPE, matched_stars=9)
    copy = pickle.loads(pickle.dumps(solution))
    assert copy.rotation_deg == solution.rotation_deg
    corner = np.array([[3.0, 5.0]])
    assert copy.wcs.wcs_pix2world(corner, 0) == pytest.approx(solution.wcs.wcs_pix2world(corner, 0))


def test_a_failure_passes_between_processes_and_tells_hint_and_sight() -> None:
    failure = pickle.loads(pickle.dumps(NotSolved(Hint(314.7, 44.3, 1.0, 2.92), "3 stars")))
    assert (
        str(failure)
        == "not solved within 1° around RA 314.7000° Dec +44.3000° at 2.920″/px: 3 stars"
    )
    assert failure.seen == "3 stars"
