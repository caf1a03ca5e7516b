"""How bright the Sun below the horizon makes the sky."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

FITTED_DEG = (5.0, 15.0)
"""How far down the Sun was in what the fit is of."""

NIGHT_DEG = 18.0
"""Astronomical twilight ends here, and the Sun's light with it."""


def twilight_nl(sun_altitude_deg: ArrayLike) -> Floats:
    """The zenith's brightness in V from the Sun alone, in nanolamberts.

    V = 11.84 + 1.518 x - 0.057 x² a square arcsecond for a Sun 5° + x down, x up to 10 (Patat,
    Ugolnikov & Postylyakov 2006, A&A 455, 385). Further down a straight line leads to nothing at
    18°; a Sun higher than 5° down counts as one there. Of the shape of the altitude; NaN stays NaN.
    """
    down_deg = -np.asarray(sun_altitude_deg, dtype=np.float64)
    x = np.clip(down_deg, *FITTED_DEG) - FITTED_DEG[0]
    magnitude = 11.84 + 1.518 * x - 0.057 * x**2
    fades = np.clip((NIGHT_DEG - down_deg) / (NIGHT_DEG - FITTED_DEG[1]), 0.0, 1.0)
    # Krisciunas & Schaefer 1991, equation 1
    return np.asarray(fades * 34.08 * np.exp(20.7233 - 0.92104 * magnitude))
