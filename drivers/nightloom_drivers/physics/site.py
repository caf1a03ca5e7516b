"""Time and coordinates at the site: sidereal time, apparent places, the Sun and the Moon.

Apparent means the true equator and equinox of date with annual aberration (TETE), which is what
INDI's EQUATORIAL_EOD_COORD holds. Refraction, polar motion and UT1 − UTC (under 0.9 s) are left
out. Frames of reference are kept for an hour, during which they turn by less than 0.02″.
"""

from dataclasses import dataclass
from functools import lru_cache

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightloom_drivers.physics.sphere import Vectors, angles_deg, normalised, unit
from nightloom_drivers.rig_settings import SiteSettings

UNIX_EPOCH_JD = 2440587.5
SIDEREAL_DEG_PER_S = 360.0 * 1.00273781191135448 / 86400.0
_HOUR_S = 3600
_LIGHT_AU_PER_DAY = 173.1446326846693
_EARTH_RADIUS_AU = 4.2635e-5
_BODY_STEP_S = 600


@dataclass(frozen=True)
class _Epoch:
    t_s: float
    greenwich_deg: float
    to_true_equator: NDArray[np.float64]
    aberration: NDArray[np.float64]


def _terrestrial_jd(t_s: float) -> tuple[float, float]:
    tai = erfa.utctai(UNIX_EPOCH_JD, t_s / 86400.0)
    tt = erfa.taitt(*tai)
    return float(tt[0]), float(tt[1])


@lru_cache(maxsize=64)
def _epoch(hour: int) -> _Epoch:
    t_s = float(hour * _HOUR_S)
    tt = _terrestrial_jd(t_s)
    greenwich = float(np.degrees(erfa.gst06a(UNIX_EPOCH_JD, t_s / 86400.0, *tt)))
    velocity = erfa.epv00(*tt)[1]["v"]
    return _Epoch(t_s, greenwich, erfa.pnm06a(*tt), velocity / _LIGHT_AU_PER_DAY)


def _epoch_at(t_s: float) -> _Epoch:
    return _epoch(int((t_s + _HOUR_S / 2) // _HOUR_S))


@lru_cache(maxsize=512)
def _bodies_au(step: int) -> tuple[Vectors, Vectors]:
    """Return geocentric Sun and Moon on the true equator of date, (3,) each, in au."""
    t_s = float(step * _BODY_STEP_S)
    tt = _terrestrial_jd(t_s)
    matrix = _epoch_at(t_s).to_true_equator
    sun = -erfa.epv00(*tt)[0]["p"]
    moon = erfa.moon98(*tt)["p"]
    return matrix @ sun, matrix @ moon


def greenwich_sidereal_deg(t_s: float) -> float:
    """Return the apparent sidereal time at Greenwich (IAU 2006/2000A)."""
    epoch = _epoch_at(t_s)
    return (epoch.greenwich_deg + SIDEREAL_DEG_PER_S * (t_s - epoch.t_s)) % 360.0


def icrs_to_apparent(t_s: float, vectors: Vectors) -> Vectors:
    """Turn ICRS unit vectors (..., 3) into apparent places of date."""
    epoch = _epoch_at(t_s)
    return normalised(vectors + epoch.aberration) @ epoch.to_true_equator.T


def apparent_to_icrs(t_s: float, vectors: Vectors) -> Vectors:
    """Turn apparent places of date (..., 3) into ICRS unit vectors."""
    epoch = _epoch_at(t_s)
    proper = vectors @ epoch.to_true_equator
    # |u + β| is the factor by which the apparent vector was shortened
    along = proper @ epoch.aberration
    length = along + np.sqrt(along**2 + 1 - epoch.aberration @ epoch.aberration)
    return proper * np.asarray(length)[..., None] - epoch.aberration


class Site:
    """The sky as it turns over one place."""

    def __init__(self, settings: SiteSettings) -> None:
        self.settings = settings
        latitude = np.radians(settings.latitude_deg)
        self._sin, self._cos = float(np.sin(latitude)), float(np.cos(latitude))

    def sidereal_deg(self, t_s: float) -> float:
        """Return the local apparent sidereal time, 0 to 360."""
        return (greenwich_sidereal_deg(t_s) + self.settings.longitude_deg) % 360.0

    def altaz_deg(
        self, t_s: float, apparent: Vectors
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return altitude and azimuth (from north through east), in degrees, of apparent places:
        (...) of (..., 3).
        """
        hour_angle = np.radians(self.sidereal_deg(t_s)) - np.arctan2(
            apparent[..., 1], apparent[..., 0]
        )
        across = np.hypot(apparent[..., 0], apparent[..., 1])
        x, y, z = across * np.cos(hour_angle), -across * np.sin(hour_angle), apparent[..., 2]
        north, up = self._cos * z - self._sin * x, self._sin * z + self._cos * x
        azimuth = np.degrees(np.arctan2(y, north)) % 360.0
        return np.degrees(np.arctan2(up, np.hypot(north, y))), azimuth

    def icrs_altaz_deg(
        self, t_s: float, ra_deg: ArrayLike, dec_deg: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return altitude and azimuth in degrees of ICRS places; arguments broadcast."""
        return self.altaz_deg(t_s, icrs_to_apparent(t_s, unit(ra_deg, dec_deg)))

    def sun_altitude_deg(self, t_s: float) -> float:
        """Return the altitude of the Sun's centre, without refraction."""
        return float(self.altaz_deg(t_s, self._body(t_s, 0))[0])

    def sun_vector(self, t_s: float) -> Vectors:
        """Return the apparent direction of the Sun's centre: (3,)."""
        return self._body(t_s, 0)

    def moon_altaz_deg(self, t_s: float) -> tuple[float, float]:
        """Return the topocentric altitude and azimuth of the Moon."""
        altitude, azimuth = self.altaz_deg(t_s, self._body(t_s, 1))
        return float(altitude), float(azimuth)

    def moon_phase_angle_deg(self, t_s: float) -> float:
        """Return the angle Sun–Moon–Earth: 0 when full, 180 when new."""
        sun, moon = self._places(t_s)
        to_sun = normalised(sun - moon)
        return float(np.degrees(np.arccos(np.clip(-to_sun @ normalised(moon), -1, 1))))

    def dusk_s(self, t_s: float) -> float:
        """Return the end of twilight (Sun at −18°, else its lowest) of the night of `t_s`.

        The night runs from one local mean solar noon to the next.
        """
        noon = 43200.0 - self.settings.longitude_deg * 240.0
        begin = np.floor((t_s - noon) / 86400.0) * 86400.0 + noon
        times = begin + np.arange(0.0, 86400.0, 120.0)
        altitudes = np.array([self.sun_altitude_deg(float(t)) for t in times])
        dark = np.flatnonzero(altitudes <= -18.0)
        return float(times[dark[0] if len(dark) else int(np.argmin(altitudes))])

    def _body(self, t_s: float, which: int) -> Vectors:
        """Return the direction (3,) of the Sun (0) or the Moon (1)."""
        return normalised(self._places(t_s)[which])

    def _places(self, t_s: float) -> tuple[Vectors, Vectors]:
        """Return Sun and Moon from the site, (3,) in au, interpolated between table steps."""
        step = int(t_s // _BODY_STEP_S)
        part = t_s / _BODY_STEP_S - step
        sidereal = self.sidereal_deg(t_s)
        here = _EARTH_RADIUS_AU * unit(sidereal, self.settings.latitude_deg)
        sun0, moon0 = _bodies_au(step)
        sun1, moon1 = _bodies_au(step + 1)
        return sun0 + part * (sun1 - sun0) - here, moon0 + part * (moon1 - moon0) - here


def apparent_deg(t_s: float, ra_deg: float, dec_deg: float) -> tuple[float, float]:
    """Return the apparent place, in degrees, of an ICRS place."""
    ra, dec = angles_deg(icrs_to_apparent(t_s, unit(ra_deg, dec_deg)))
    return float(ra), float(dec)


def icrs_deg(t_s: float, ra_deg: float, dec_deg: float) -> tuple[float, float]:
    """Return the ICRS place, in degrees, of an apparent place."""
    ra, dec = angles_deg(apparent_to_icrs(t_s, unit(ra_deg, dec_deg)))
    return float(ra), float(dec)
