"""How bright the sky is by night, with the Moon's part in it.

Krisciunas & Schaefer, "A Model of the Brightness of Moonlight", PASP 103, 1033 (1991), for the V
band and a clear sky. The paper states an accuracy of 8 to 23 %. Brightness is in nanolamberts, so
that light adds up.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

EXTINCTION_V = 0.172
"""Magnitudes an airmass: the paper's own, for Mauna Kea. Low and damp sites lose more."""

DARK_ZENITH_NL = 79.0
"""A moonless zenith far from towns, 21.6 magnitudes a square arcsecond (the paper's)."""

_CLOSEST_DEG = 0.25  # within the Moon's own disk

Floats = NDArray[np.float64]


def moonlight_nl(
    zenith_deg: ArrayLike,
    moon_zenith_deg: ArrayLike,
    separation_deg: ArrayLike,
    phase_angle_deg: ArrayLike,
    extinction: float = EXTINCTION_V,
) -> Floats:
    """What the Moon adds to the sky at a zenith distance (the paper's equations 15, 20 and 21).

    `phase_angle_deg` is 0 at full Moon and 180 at new Moon. Nought while the Moon is down. Within
    10° of the Moon the aureole takes over, as the paper has it. Arguments broadcast; NaN stays NaN,
    except where the Moon is down, or its own zenith distance is NaN: there it is zero.
    """
    apart = np.maximum(np.asarray(separation_deg, dtype=np.float64), _CLOSEST_DEG)
    moon_zenith = np.asarray(moon_zenith_deg, dtype=np.float64)
    phase = np.abs(np.asarray(phase_angle_deg, dtype=np.float64))
    outside = 10.0 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase**4))
    rayleigh = 10.0**5.36 * (1.06 + np.cos(np.radians(apart)) ** 2)
    aerosols = np.where(apart < 10.0, 6.2e7 / apart**2, 10.0 ** (6.15 - apart / 40.0))
    arriving = 10.0 ** (-0.4 * extinction * scattering_airmass(moon_zenith))
    scattered = 1.0 - 10.0 ** (-0.4 * extinction * scattering_airmass(zenith_deg))
    light = (rayleigh + aerosols) * outside * arriving * scattered
    return np.where(moon_zenith < 90.0, light, 0.0)


def dark_sky_nl(
    zenith_deg: ArrayLike, extinction: float = EXTINCTION_V, zenith_nl: float = DARK_ZENITH_NL
) -> Floats:
    """The moonless sky at a zenith distance (the paper's equation 2).

    Of the shape of the zenith distance; NaN stays NaN.
    """
    air = scattering_airmass(zenith_deg)
    return np.asarray(zenith_nl * 10.0 ** (-0.4 * extinction * (air - 1.0)) * air)


def scattering_airmass(zenith_deg: ArrayLike) -> Floats:
    """The paper's airmass for light from all along the line of sight: 5 at the horizon.

    Of the shape of the zenith distance; NaN stays NaN.
    """
    sine = np.sin(np.radians(np.minimum(np.asarray(zenith_deg, dtype=np.float64), 90.0)))
    return np.asarray((1.0 - 0.96 * sine**2) ** -0.5)
