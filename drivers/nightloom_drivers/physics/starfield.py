"""Stars for any field of the sky: real ones where a catalogue is at hand, seeded ones besides."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.catalogue import Stars, separation_deg, tycho2
from nightloom_drivers.physics.sphere import unit

TYCHO_LIMIT_MAG = 11.5
"""Fainter stars than this come from the seeded field."""

# log10 of the stars per square degree brighter than V, at the galactic pole and on the plane.
# Drawn by hand, smooth, and fitted so that the whole sky holds what catalogues count: tests allow
# a factor of 1.6.
_MAG = np.array((-2.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0))
_LOG_POLE = np.array((-5.6, -1.15, -0.22, 0.65, 1.46, 2.05, 2.57, 3.0, 3.4))
_LOG_PLANE = np.array((-4.6, -0.65, 0.25, 1.2, 2.15, 2.95, 3.68, 4.3, 4.85))

# North galactic pole, ICRS (the definition used for Hipparcos, ESA SP-1200)
_GALACTIC_POLE = unit(192.85948, 27.12825)


class StarSource(Protocol):
    """Anything that lists the stars of a cone, brightest first, ICRS."""

    def cone(
        self, ra_deg: float, dec_deg: float, radius_deg: float, limit_mag: float | None = None
    ) -> Stars: ...


def log_counts(sine_latitude: float) -> NDArray[np.float64]:
    """Return log10 stars per square degree brighter than the table's magnitudes: (n,) as they.

    `sine_latitude` is the sine of the galactic latitude.
    """
    towards_plane = (1 - min(abs(sine_latitude), 1.0)) ** 1.2
    return np.asarray(_LOG_POLE + (_LOG_PLANE - _LOG_POLE) * towards_plane)


def stars_per_deg2(mag: float, sine_latitude: float) -> float:
    """Return how many stars are brighter than a magnitude, per square degree."""
    return float(10 ** np.interp(mag, _MAG, log_counts(sine_latitude)))


@dataclass(frozen=True)
class SeededField:
    """A sky of invented stars: a place always has the same ones, whatever cone is asked.

    The sky is cut into bands of a degree and the bands into cells about as wide; each cell draws
    its stars from a stream of its own. The counts follow the galactic latitude.
    """

    limit_mag: float = 18.0
    sky_seed: int = 0

    def cone(
        self, ra_deg: float, dec_deg: float, radius_deg: float, limit_mag: float | None = None
    ) -> Stars:
        cells = [
            _cell_stars(self.sky_seed, self.limit_mag, band, cell)
            for band, cell in _cells_near(ra_deg, dec_deg, radius_deg)
        ]
        ra, dec, mag = np.concatenate(cells, axis=1)
        limit = self.limit_mag if limit_mag is None else limit_mag
        inside = (separation_deg(ra_deg, dec_deg, ra, dec) <= radius_deg) & (mag <= limit)
        found = np.flatnonzero(inside)
        order = found[np.argsort(mag[found], kind="stable")]
        return Stars(ra[order], dec[order], mag[order])


@dataclass(frozen=True)
class DeepenedField:
    """A catalogue's stars, and invented ones fainter than it reaches."""

    bright: StarSource
    faint: StarSource
    limit_mag: float = TYCHO_LIMIT_MAG

    def cone(
        self, ra_deg: float, dec_deg: float, radius_deg: float, limit_mag: float | None = None
    ) -> Stars:
        near = self.bright.cone(ra_deg, dec_deg, radius_deg, limit_mag)
        more = self.faint.cone(ra_deg, dec_deg, radius_deg, limit_mag)
        keep = more.mag > self.limit_mag
        ra, dec, mag = (np.concatenate((a, b[keep])) for a, b in zip(near, more, strict=True))
        order = np.argsort(mag, kind="stable")
        return Stars(ra[order], dec[order], mag[order])


def star_source(choice: Literal["seeded", "tycho2", "auto"], limit_mag: float) -> StarSource:
    """Return the stars that the settings choose; raises FileNotFoundError without Tycho-2.

    `auto` takes Tycho-2 where its index is installed.
    """
    seeded = SeededField(limit_mag)
    catalogue = None if choice == "seeded" else tycho2()
    if catalogue is not None:
        return DeepenedField(catalogue, seeded)
    if choice == "tycho2":
        raise FileNotFoundError("no Tycho-2 index is installed (Debian: astrometry-data-tycho2)")
    return seeded


def _band_edges_deg(band: int) -> tuple[float, float]:
    return band - 90.0, band - 89.0


def _cells_in(band: int) -> int:
    low, high = _band_edges_deg(band)
    return max(1, round(360 * float(np.cos(np.radians((low + high) / 2)))))


def _cells_near(ra_deg: float, dec_deg: float, radius_deg: float) -> list[tuple[int, int]]:
    first = max(0, int(np.floor(dec_deg - radius_deg + 90)))
    last = min(179, int(np.floor(dec_deg + radius_deg + 90)))
    found = []
    for band in range(first, last + 1):
        count = _cells_in(band)
        worst = max(abs(dec_deg - radius_deg), abs(dec_deg + radius_deg))
        # a cone reaches at most asin(sin r / cos δ) along right ascension; at a pole, all round
        ratio = np.sin(np.radians(min(radius_deg, 90.0))) / np.cos(np.radians(dec_deg))
        if worst >= 90 or ratio >= 1:
            found += [(band, cell) for cell in range(count)]
            continue
        half = float(np.degrees(np.arcsin(ratio)))
        begin = int(np.floor((ra_deg - half) * count / 360))
        end = int(np.floor((ra_deg + half) * count / 360))
        found += [(band, cell % count) for cell in range(begin, min(end, begin + count - 1) + 1)]
    return found


@lru_cache(maxsize=128)
def _cell_stars(sky_seed: int, limit_mag: float, band: int, cell: int) -> NDArray[np.float64]:
    """Draw the n stars of a cell: rows of right ascension, declination, magnitude, (3, n)."""
    rng = np.random.default_rng(np.random.SeedSequence([sky_seed, band, cell]))
    low, high = np.sin(np.radians(_band_edges_deg(band)))
    width_deg = 360 / _cells_in(band)
    middle = unit((cell + 0.5) * width_deg, np.degrees(np.arcsin((low + high) / 2)))
    logs = log_counts(float(middle @ _GALACTIC_POLE))
    area_deg2 = width_deg * float(np.degrees(high - low))
    deepest = float(np.interp(limit_mag, _MAG, logs))
    count = rng.poisson(10**deepest * area_deg2)
    mag = np.interp(deepest + np.log10(1 - rng.random(count)), logs, _MAG)
    ra = (cell + rng.random(count)) * width_deg
    dec = np.degrees(np.arcsin(low + (high - low) * rng.random(count)))
    return np.stack((ra, dec, mag))
