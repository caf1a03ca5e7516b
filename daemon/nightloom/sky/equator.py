"""Between ICRS and the true equator and equinox of date (what INDI's EQUATORIAL_EOD_COORD holds).

IAU 2006/2000A precession and nutation, annual aberration and light deflection by ERFA. Diurnal
aberration (under 0.3″) is left out, as in a geocentric apparent place. The Earth's pose is kept
for the nearest whole hour; within half an hour it changes by about 0.01″.
"""

from functools import lru_cache

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

UNIX_EPOCH_JD = 2440587.5
TT_LESS_TAI_S = 32.184
_HOUR_S = 3600.0

Floats = NDArray[np.float64]


def terrestrial_days(unix_s: ArrayLike) -> Floats:
    """Days of Terrestrial Time since JD 2440587.5.

    Leap seconds are those ERFA was built with; after the last of them none is assumed. Of the shape
    of the moments; NaN stays NaN.
    """
    moments = np.asarray(unix_s, dtype=np.float64)
    starts_unix_s, tai_less_utc_s = _leap_seconds()
    row = np.maximum(np.searchsorted(starts_unix_s, moments, side="right") - 1, 0)
    return np.asarray((moments + tai_less_utc_s[row] + TT_LESS_TAI_S) / 86400.0)


@lru_cache(maxsize=1)
def _leap_seconds() -> tuple[Floats, Floats]:
    """Unix times from which on, and seconds by which, TAI was ahead of UTC, both (n,)."""
    table = erfa.leap_seconds.get()
    table = table[table["year"] >= 1972]  # before, UTC ran at another rate
    months = (table["year"] - 1970) * 12 + table["month"] - 1
    starts = months.astype("datetime64[M]").astype("datetime64[s]").astype(np.float64)
    return starts, table["tai_utc"].astype(np.float64)


@lru_cache(maxsize=2048)
def _pose_of_hour(hour: int) -> tuple[NDArray[np.void], float]:
    """ERFA's record of the Earth, a scalar array, and the equation of the origins in radians."""
    astrometry, origins = erfa.apci13(UNIX_EPOCH_JD, terrestrial_days(hour * _HOUR_S))
    return astrometry, float(origins)


def earth_pose(unix_s: ArrayLike) -> tuple[NDArray[np.void], Floats]:
    """ERFA's star-independent astrometry of each moment, and its equation of the origins (rad).

    Both of the shape of the moments, which are finite.
    """
    hours = np.rint(np.asarray(unix_s, dtype=np.float64) / _HOUR_S).astype(np.int64)
    distinct, index = np.unique(hours, return_inverse=True)
    poses = [_pose_of_hour(int(hour)) for hour in distinct]
    index = index.reshape(hours.shape)
    return np.stack([pose[0] for pose in poses])[index], np.array([p[1] for p in poses])[index]


def apparent_deg(ra_deg: ArrayLike, dec_deg: ArrayLike, unix_s: ArrayLike) -> tuple[Floats, Floats]:
    """Right ascension (0 to 360) and declination of date, in degrees, of ICRS places.

    Places and moments broadcast; a NaN place gives NaN, and moments are finite.
    """
    astrometry, origins = earth_pose(unix_s)
    ra, dec = erfa.atciqz(np.radians(ra_deg), np.radians(dec_deg), astrometry)
    return np.degrees(ra - origins) % 360.0, np.asarray(np.degrees(dec))


def to_date(ra_deg: float, dec_deg: float, unix_s: float) -> tuple[float, float]:
    """Apparent right ascension in hours and declination in degrees of an ICRS place."""
    ra, dec = apparent_deg(ra_deg, dec_deg, unix_s)
    return float(ra) / 15.0, float(dec)
