"""Stars with positions and V magnitudes, from the Tycho-2 index of Debian's astrometry package.

The plate-solving index (astrometry-data-tycho2-07) keeps its stars as unit vectors scaled to
unsigned 32-bit integers, exact to 0.0001″, and Tycho's VT magnitudes in a table beside them: the
ten brightest of every 22.5′ cell of the sky, 1.87 million stars in all. Positions are of J2000;
those of the very brightest (the supplement) are of J1991.25, and a few of these (Vega, Polaris)
are missing.
Source: Høg et al. 2000, The Tycho-2 catalogue, A&A 355, L27.
"""

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

INDEX_FOLDER = Path("/usr/share/astrometry")

Array = NDArray[np.float64]


class Stars(NamedTuple):
    """Stars brightest first: three float arrays of one length; positions are ICRS at J2000."""

    ra_deg: Array
    dec_deg: Array
    mag: Array


@dataclass(frozen=True, eq=False)
class Catalogue:
    """Three float arrays of one length, in the order of declination, so that a cone is a slice."""

    ra_deg: Array
    dec_deg: Array
    mag: Array

    def __post_init__(self) -> None:
        if np.any(self.dec_deg[1:] < self.dec_deg[:-1]):
            raise ValueError("stars must come in the order of declination; use Catalogue.of")

    @classmethod
    def of(cls, ra_deg: Array, dec_deg: Array, mag: Array) -> Self:
        """A catalogue of these stars, given in any order."""
        order = np.argsort(dec_deg, kind="stable")
        return cls(ra_deg[order], dec_deg[order], mag[order])

    @classmethod
    def load(cls, path: Path) -> Self:
        """A catalogue from what `save` wrote, memory-mapped: only the pages in use are read."""
        return cls(*np.load(path, mmap_mode="r"))

    def save(self, path: Path) -> None:
        """Write the three arrays as one .npy file."""
        np.save(path, np.stack([self.ra_deg, self.dec_deg, self.mag]))

    def __len__(self) -> int:
        return len(self.mag)

    def cone(
        self, ra_deg: float, dec_deg: float, radius_deg: float, limit_mag: float | None = None
    ) -> Stars:
        """Stars within `radius_deg` of a place and no fainter than `limit_mag`."""
        band = slice(
            np.searchsorted(self.dec_deg, dec_deg - radius_deg, "left"),
            np.searchsorted(self.dec_deg, dec_deg + radius_deg, "right"),
        )
        stars = Stars(self.ra_deg[band], self.dec_deg[band], self.mag[band])
        inside = separation_deg(ra_deg, dec_deg, stars.ra_deg, stars.dec_deg) <= radius_deg
        if limit_mag is not None:
            inside &= stars.mag <= limit_mag
        found = np.flatnonzero(inside)
        order = found[np.argsort(stars.mag[found], kind="stable")]
        return Stars(stars.ra_deg[order], stars.dec_deg[order], stars.mag[order])


def separation_deg(ra_deg: float, dec_deg: float, ra2_deg: Array, dec2_deg: Array) -> Array:
    """Great-circle distance of many places from one, by the haversine formula."""
    a, d = np.radians(ra2_deg - ra_deg), np.radians(dec2_deg - dec_deg)
    cosines = np.cos(np.radians(dec_deg)) * np.cos(np.radians(dec2_deg))
    haversine = np.sin(d / 2) ** 2 + cosines * np.sin(a / 2) ** 2
    return np.asarray(np.degrees(2 * np.arcsin(np.sqrt(np.minimum(haversine, 1.0)))))


@functools.cache
def tycho2(folder: Path = INDEX_FOLDER) -> Catalogue | None:
    """The Tycho-2 stars of the installed index with the most stars; None without such an index."""
    indexes = sorted(folder.glob("index-tycho2-*.littleendian.fits"))  # the finest scale is first
    return read_index(indexes[0]) if indexes else None


def read_index(path: Path) -> Catalogue:
    """The stars of one astrometry.net index file that carries MAG_VT.

    Raises ValueError when the file's integers are not little-endian, KeyError when a table is
    missing from it.
    """
    # Imported here, so that a program that only loads a saved catalogue starts in a moment.
    from astropy.io import fits

    with fits.open(path) as hdus:
        if hdus[0].header["ENDIAN"] != "04:03:02:01":
            raise ValueError(f"{path} is not little-endian")
        starts = {hdu.header["TTYPE1"].strip(): hdu.fileinfo()["datLoc"] for hdu in hdus[1:]}
        count = hdus[0].header["NSTARS"]
    # The tree's tables call themselves text; they hold the machine's own numbers.
    scaled = np.memmap(path, "<u4", "r", starts["kdtree_data_stars"], (count, 3))
    limits = np.memmap(path, "<f8", "r", starts["kdtree_range_stars"], (7,))
    mag = np.memmap(path, ">f4", "r", starts["MAG_VT"], (count,)).astype(np.float64)
    x, y, z = (scaled / limits[6] + limits[:3]).T
    ra_deg = np.degrees(np.arctan2(y, x)) % 360.0
    return Catalogue.of(ra_deg, np.degrees(np.arctan2(z, np.hypot(x, y))), mag)
