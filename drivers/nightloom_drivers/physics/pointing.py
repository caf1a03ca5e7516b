"""What a mount gets wrong: indexes, cone, polar alignment, and the worm of its polar axis."""

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.physics.site import SIDEREAL_DEG_PER_S
from nightloom_drivers.rig_settings import MountSettings

Array = NDArray[np.float64]


class PointingErrors:
    """Errors between where the axes say the telescope points and where it does.

    First-order terms of an equatorial mount in common use: an offset of each axis, a cone error
    that changes sign with the side of the pier, and a misaligned pole (common practice, no
    source). The worm adds a period and its second harmonic, a fifth as large.
    """

    def __init__(self, settings: MountSettings, rng: np.random.Generator) -> None:
        spread = settings.pointing_error_arcsec / 3600
        self._index_hour_angle, self._index_dec, self._cone = spread * rng.standard_normal(3)
        polar = settings.polar_error_arcmin / 60
        angle = np.radians(settings.polar_error_angle_deg)
        self._polar_up, self._polar_east = polar * np.cos(angle), polar * np.sin(angle)
        self._worm_deg = settings.periodic_error_period_s * SIDEREAL_DEG_PER_S
        self._worm_phase = rng.uniform(0, 2 * np.pi, 2)
        self._amplitude_deg = settings.periodic_error_arcsec / 2 / 3600

    def at(
        self,
        polar_axis_deg: Array,
        hour_angle_deg: Array,
        dec_deg: Array,
        flipped: NDArray[np.bool_],
    ) -> tuple[Array, Array, Array]:
        """Return errors of hour angle and declination and the turn of the field, in degrees; all
        are (n,).
        """
        h, dec = np.radians(hour_angle_deg), np.radians(dec_deg)
        cos_dec = np.maximum(np.cos(dec), 0.02)
        swing = self._polar_up * np.sin(h) - self._polar_east * np.cos(h)
        cone = np.where(flipped, -self._cone, self._cone)
        hour_angle = (
            self._index_hour_angle
            + cone / cos_dec
            + swing * np.tan(np.clip(dec, -1.55, 1.55))
            + self._worm(polar_axis_deg)
        )
        declination = self._index_dec + self._polar_up * np.cos(h) + self._polar_east * np.sin(h)
        return hour_angle, declination, swing / cos_dec

    def _worm(self, polar_axis_deg: Array) -> Array:
        """Return the worm's part in hour angle at angles of the polar axis, (n,) in degrees."""
        turn = 2 * np.pi * polar_axis_deg / self._worm_deg
        wave = np.sin(turn + self._worm_phase[0]) + 0.2 * np.sin(2 * turn + self._worm_phase[1])
        return np.asarray(self._amplitude_deg / 1.1 * wave, dtype=np.float64)
