"""A sensor: from electrons to raw numbers."""

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.rig_settings import SensorSettings

Pixels = NDArray[np.uint16]
Image = NDArray[np.float32]
Area = tuple[slice, slice]

WHOLE: Area = (slice(None), slice(None))


class Sensor:
    """A sensor with its own hot pixels and response, the same for the whole life of a world."""

    def __init__(
        self, settings: SensorSettings, vignetting: float, stream: np.random.SeedSequence
    ) -> None:
        self.settings = settings
        rng = np.random.default_rng(stream)
        shape = (settings.height_px, settings.width_px)
        self.dark_at_0c = np.full(shape, settings.dark_e_per_s, np.float32)
        """Dark current of each pixel at 0 °C, electrons per second."""
        hot = rng.random(shape) < settings.hot_pixel_fraction
        self.dark_at_0c[hot] += rng.exponential(settings.hot_pixel_e_per_s, int(hot.sum()))
        y, x = np.ogrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
        spread = settings.response_spread * rng.standard_normal(shape, np.float32)
        self.response = ((1 - vignetting * (x * x + y * y) / 2) * (1 + spread)).astype(np.float32)
        """Relative response of each pixel to light, vignetting included."""

    def warmth(self, sensor_c: float) -> float:
        """Return the dark current relative to the one at 0 °C."""
        return float(2 ** (sensor_c / self.settings.doubling_c))

    def read(self, electrons: Image, rng: np.random.Generator, reads: int = 1) -> Pixels:
        """Return raw numbers of mean electrons (rows, columns); the array is used up.

        Photon noise is taken as Gaussian, read noise is that of `reads` pixels summed.
        """
        s = self.settings
        noise = rng.standard_normal(electrons.shape, np.float32)
        spread = np.sqrt(electrons + np.float32(reads * s.read_noise_e**2))
        noise *= spread
        electrons += noise
        np.minimum(electrons, np.float32(s.full_well_e * reads), out=electrons)
        return digitise(electrons, s, reads)


def digitise(electrons: Image, settings: SensorSettings, reads: int = 1) -> Pixels:
    """Return the raw numbers of electrons (rows, columns) as the converter gives them; the array is
    used up.
    """
    electrons *= np.float32(1 / settings.gain_e_per_adu)
    electrons += np.float32(settings.bias_adu * reads + 0.5)
    top = 2**settings.bits - 1
    np.clip(electrons, 0, min(top * reads, 65535), out=electrons)
    return electrons.astype(np.uint16)


def binned(electrons: Image, binning: int) -> Image:
    """Return the sums over squares of pixels, (rows // binning, columns // binning) of (rows,
    columns): those that do not fill a square are lost.
    """
    if binning == 1:
        return electrons
    height, width = (n // binning for n in electrons.shape)
    cut = electrons[: height * binning, : width * binning]
    squares = cut.reshape(height, binning, width, binning)
    return np.asarray(squares.sum(axis=(1, 3)), dtype=np.float32)
