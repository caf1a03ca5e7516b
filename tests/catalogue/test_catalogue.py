"""The star catalogue against published stars and against astropy's spherical geometry."""

from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from nightloom_drivers.catalogue import Catalogue, tycho2

# ICRS positions at J2000 and V magnitudes of the Hipparcos catalogue (ESA 1997, SP-1200), from
# memory; stars of small proper motion, since the very brightest are listed at epoch 1991.25.
BRIGHT = {
    "Deneb": (310.357980, 45.280339, 1.25),
    "Sadr": (305.557091, 40.256679, 2.23),
    "Albireo": (292.680336, 27.959681, 3.05),
}


def installed() -> Catalogue:
    catalogue = tycho2()
    assert catalogue is not None, "astrometry-data-tycho2 is not installed"
    return catalogue


@pytest.mark.parametrize("name", BRIGHT)
def test_bright_stars_are_where_hipparcos_has_them(name: str) -> None:
    """Positions agree to 0.5″, and VT with V to the 0.15 mag that their passbands differ by."""
    ra_deg, dec_deg, mag = BRIGHT[name]
    stars = installed().cone(ra_deg, dec_deg, 0.5 / 3600)
    assert len(stars.mag) == 1
    assert stars.mag[0] == pytest.approx(mag, abs=0.15)


def test_mizar_is_double() -> None:
    """Its two stars stand 14.4″ apart (Washington Double Star Catalog, 13239+5456)."""
    stars = installed().cone(200.98, 54.925, 0.01)
    places = SkyCoord(stars.ra_deg[:2], stars.dec_deg[:2], unit="deg")
    assert places[0].separation(places[1]).arcsec == pytest.approx(14.4, abs=0.3)


def test_most_of_tycho_2_is_there() -> None:
    """Tycho-2 lists 2.5 million stars (Høg et al. 2000); the index keeps ten a cell."""
    catalogue = installed()
    assert 1.5e6 < len(catalogue) < 2.55e6
    assert np.isfinite(catalogue.mag).all()
    assert 11.0 < np.median(catalogue.mag) < 12.0


def test_a_saved_catalogue_gives_the_same_cone(tmp_path: Path) -> None:
    path = tmp_path / "stars.npy"
    some = Catalogue.of(np.array([10.0, 10.1, 9.9]), np.array([5.0, 4.9, 5.1]), np.arange(3.0))
    some.save(path)
    for ours, theirs in zip(some.cone(10, 5, 1), Catalogue.load(path).cone(10, 5, 1), strict=True):
        assert ours.tolist() == theirs.tolist()


def test_no_index_no_catalogue(tmp_path: Path) -> None:
    assert tycho2(tmp_path) is None


def test_unordered_stars_are_refused() -> None:
    with pytest.raises(ValueError, match="order of declination"):
        Catalogue(np.zeros(2), np.array([1.0, 0.0]), np.zeros(2))


@given(
    ra_deg=st.floats(0, 360),
    dec_deg=st.floats(-90, 90),
    radius_deg=st.floats(0.01, 40),
    limit_mag=st.floats(3, 12) | st.none(),
)
def test_a_cone_holds_exactly_the_stars_inside(
    ra_deg: float, dec_deg: float, radius_deg: float, limit_mag: float | None
) -> None:
    """Poles and the 0h line included; brightest first."""
    rng = np.random.default_rng(7)
    ra, dec = rng.uniform(0, 360, 400), np.degrees(np.arcsin(rng.uniform(-1, 1, 400)))
    mag = rng.uniform(2, 13, 400)
    found = Catalogue.of(ra, dec, mag).cone(ra_deg, dec_deg, radius_deg, limit_mag)
    centre = SkyCoord(ra_deg, dec_deg, unit="deg")
    inside = centre.separation(SkyCoord(ra, dec, unit="deg")) <= radius_deg * u.deg
    if limit_mag is not None:
        inside &= mag <= limit_mag
    assert found.mag.tolist() == sorted(mag[inside].tolist())
