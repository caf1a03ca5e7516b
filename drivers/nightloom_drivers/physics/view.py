"""What falls on a sensor during an exposure, before it becomes a frame."""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.physics.mount import Boresight
from nightloom_drivers.physics.psf import Blur, half_flux_radius_px
from nightloom_drivers.physics.sphere import unit
from nightloom_drivers.physics.starfield import StarSource

Array = NDArray[np.float64]

_NONE = np.zeros(0)
_ARCSEC = 206264.806  # in a radian
_WIDEST_SMEAR_PX = 12.0  # standard deviation; what moves further leaves no star to see


@dataclass(frozen=True)
class View:
    """Stars and glow on a sensor, averaged over an exposure.

    `x` and `y` count pixels from the centre of the first one; `flux_e_per_s` is each star's light
    in electrons per second; `glow_e_per_s` what every pixel gets from the sky or the panel.
    """

    x: Array
    y: Array
    flux_e_per_s: Array
    blur: Blur
    glow_e_per_s: float

    @classmethod
    def starless(cls, glow_e_per_s: float = 0.0) -> Self:
        """A view of nothing but an even glow."""
        return cls(_NONE, _NONE, _NONE, Blur(1.0, 1.0), glow_e_per_s)

    @property
    def half_flux_radius_px(self) -> float:
        """The radius that holds half of a star's light, the same over the whole field."""
        return half_flux_radius_px(self.blur)


@dataclass(frozen=True)
class Projection:
    """A gnomonic projection on a sensor whose centre is pixel ((width−1)/2, (height−1)/2).

    Seen with rows counted upwards the picture is as on the sky: with north up, east is left, or
    right where it is mirrored.
    """

    width_px: int
    height_px: int
    arcsec_per_px: float
    mirrored: bool = False

    @property
    def radius_deg(self) -> float:
        """Radius of the circle round the sensor."""
        return float(np.hypot(self.width_px, self.height_px)) / 2 * self.arcsec_per_px / 3600

    def pixels(
        self, stars: Array, ra_deg: float, dec_deg: float, rotation_deg: float
    ) -> tuple[Array, Array]:
        """Return pixel coordinates of unit vectors, shape (n, 3), in front of the camera."""
        axis = unit(ra_deg, dec_deg)
        east, north = unit(ra_deg + 90.0, 0.0), unit(ra_deg, dec_deg + 90.0)
        right, up = self._across(east, north, rotation_deg)
        along = stars @ np.stack((right, up, axis), axis=-1)
        scale = _ARCSEC / self.arcsec_per_px / along[:, 2]
        x = along[:, 0] * scale + (self.width_px - 1) / 2
        return x, along[:, 1] * scale + (self.height_px - 1) / 2

    def drift_px(self, boresight: Boresight) -> Array:
        """Return how far stars stand from where the first pointing puts them, shape (2, times)."""
        ra, dec = boresight.ra_deg, boresight.dec_deg
        east = ((ra - ra[0] + 180) % 360 - 180) * np.cos(np.radians(dec[0]))
        north = dec - dec[0]
        right, up = self._across(east, north, float(boresight.rotation_deg[0]))
        return np.asarray(np.stack((right, up)) * (-3600 / self.arcsec_per_px))

    def _across(self, east: Array, north: Array, rotation_deg: float) -> tuple[Array, Array]:
        """Return what lies along rows and columns of what lies east and north, any shape."""
        turn = np.radians(rotation_deg)
        right = np.sin(turn) * north - np.cos(turn) * east
        up = np.cos(turn) * north + np.sin(turn) * east
        return (-right if self.mirrored else right), up


class FieldStars:
    """The stars on a sensor through an exposure; they are fetched again when the field changes."""

    def __init__(self, source: StarSource, projection: Projection, limit_mag: float) -> None:
        self._source, self._limit_mag = source, limit_mag
        self._projection = projection
        self._centre = np.zeros(3)
        self._stars = np.zeros((0, 3))
        self._light = np.zeros(0)

    def on(self, boresight: Boresight) -> tuple[Array, Array, Array, Array]:
        """Return x, y, light relative to magnitude 0, (n,) each, and the covariance of the smear,
        (2, 2), in pixels.

        Positions are averages over the boresight's samples. A large smear leaves no stars.
        """
        drift = self._projection.drift_px(boresight)
        mean = drift.mean(axis=1)
        smear = drift @ drift.T / drift.shape[1] - np.outer(mean, mean)
        if smear[0, 0] + smear[1, 1] > _WIDEST_SMEAR_PX**2:
            return _NONE, _NONE, _NONE, np.zeros((2, 2))
        ra, dec = float(boresight.ra_deg[0]), float(boresight.dec_deg[0])
        self._fetch(ra, dec)
        x, y = self._projection.pixels(self._stars, ra, dec, float(boresight.rotation_deg[0]))
        return x + mean[0], y + mean[1], self._light, smear

    def _fetch(self, ra_deg: float, dec_deg: float) -> None:
        axis, radius_deg = unit(ra_deg, dec_deg), self._projection.radius_deg * 1.1
        slack_deg = 0.2 * radius_deg
        if axis @ self._centre < np.cos(np.radians(slack_deg)):
            found = self._source.cone(ra_deg, dec_deg, radius_deg + slack_deg, self._limit_mag)
            self._stars = unit(found.ra_deg, found.dec_deg)
            self._light = 10 ** (-0.4 * found.mag)
            self._centre = axis
