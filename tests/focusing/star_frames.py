"""Scans through focus as frames of stars: a 106 mm f/5 refractor under air that changes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightloom.frames import StarField, measure
from nightloom_drivers.physics.psf import Blur, add_stars
from nightloom_drivers.physics.sensor import Sensor
from nightloom_drivers.rig_settings import SensorSettings

FOCAL_RATIO, FOCAL_LENGTH_MM, PIXEL_UM, STEP_UM = 5.0, 530.0, 3.76, 2.0
SCALE_ARCSEC = 206.265 * PIXEL_UM / FOCAL_LENGTH_MM
SEEING_ARCSEC, SEEING_LOG_SCATTER, SEEING_CORRELATION_S = 2.8, 0.15, 900.0
FRAME_LOG_SCATTER = 0.03
"""Of the seeing from one short exposure to the next, besides its slow change (common practice)."""
FRAME_S = 6.5  # from one position to the next
STRIPS = 16  # of columns, each of one focus where the sensor is tilted
STARS, BRIGHTEST_E, FAINTEST_E = 120, 2e5, 1.5e3


@dataclass
class Bench:
    """A star field in front of a sensor, with the focus at `best_steps` in its middle.

    Best focus lies farther out by `tilt_steps` at the last columns than at the first.
    """

    rng: np.random.Generator
    best_steps: float = 10_000.0
    obstruction: float = 0.0
    stars: int = STARS
    tilt_steps: float = 0.0

    def __post_init__(self) -> None:
        settings = SensorSettings(width_px=640, height_px=480)
        self._sensor = Sensor(settings, 0.12, np.random.SeedSequence(1))
        self._x = self.rng.uniform(5, 635, self.stars)
        self._y = self.rng.uniform(5, 475, self.stars)
        # Twice as many stars for every factor of two in brightness, roughly as on the sky.
        share = self.rng.uniform(FAINTEST_E / BRIGHTEST_E, 1, self.stars)
        self._light = FAINTEST_E / share
        self._air = SEEING_LOG_SCATTER * self.rng.standard_normal()

    def frame(self, position_steps: float, light: float = 1.0) -> NDArray[np.uint16]:
        """One exposure, as bright as `light` says; the air moves on by FRAME_S."""
        now = self._air + FRAME_LOG_SCATTER * self.rng.standard_normal()
        sigma_px = SEEING_ARCSEC * np.exp(now) / SCALE_ARCSEC / 2.3548
        electrons = np.full((480, 640), 60.0, np.float32)
        strips = np.floor(self._x / 640 * STRIPS)
        for strip in range(STRIPS) if self.tilt_steps else [None]:
            here = slice(None) if strip is None else strips == strip
            across = 0.0 if strip is None else (strip + 0.5) / STRIPS - 0.5
            away_steps = position_steps - self.best_steps - across * self.tilt_steps
            radius_px = abs(away_steps) * STEP_UM / PIXEL_UM / (2 * FOCAL_RATIO)
            blur = Blur(sigma_px**2, sigma_px**2, 0.0, radius_px, self.obstruction)
            add_stars(electrons, self._x[here], self._y[here], self._light[here] * light, blur)
        kept = np.exp(-FRAME_S / SEEING_CORRELATION_S)
        step = SEEING_LOG_SCATTER * np.sqrt(1 - kept**2)
        self._air = kept * self._air + step * self.rng.standard_normal()
        return self._sensor.read(electrons, self.rng)

    def measured(self, position_steps: float, light: float = 1.0) -> StarField:
        """What the stars of one exposure show."""
        return measure(self.frame(position_steps, light), saturation_adu=62000.0)
