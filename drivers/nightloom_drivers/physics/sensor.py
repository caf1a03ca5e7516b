"""A sensor: from electrons to raw numbers."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.rig_settings import SensorSettings

Pixels = NDArray[np.uint16]
Image = NDArray[np.float32]
Area = tuple[slice, slice]

_BAND_PX = 100_000

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
        hot = np.empty(shape, bool)
        for rows in in_bands(*shape):
            hot[rows] = rng.random(hot[rows].shape) < settings.hot_pixel_fraction
        self.dark_at_0c[hot] += rng.exponential(settings.hot_pixel_e_per_s, int(hot.sum()))
        y, x = np.ogrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
        self.response = np.empty(shape, np.float32)
        for rows in in_bands(*shape):
            part = y[rows]
            spread = rng.standard_normal((len(part), shape[1]), np.float32)
            spread *= np.float32(settings.response_spread)
            self.response[rows] = (1 - vignetting * (x * x + part * part) / 2) * (1 + spread)
        """Relative response of each pixel to light, vignetting included."""

    def warmth(self, sensor_c: float) -> float:
        """Return the dark current relative to the one at 0 °C."""
        return float(2 ** (sensor_c / self.settings.doubling_c))

    def read(self, electrons: Image, rng: np.random.Generator, reads: int = 1) -> Pixels:
        """Return raw numbers of mean electrons (rows, columns); the array is used up.

        Photon noise is taken as Gaussian, read noise is that of `reads` pixels summed.
        """
        raw = np.empty(electrons.shape, np.uint16)
        for rows in in_bands(*electrons.shape):
            raw[rows] = self._read(electrons[rows], rng, reads)
        return raw

    def _read(self, electrons: Image, rng: np.random.Generator, reads: int) -> Pixels:
        """The raw numbers of some rows (rows, columns)."""
        s = self.settings
        noise = rng.standard_normal(electrons.shape, np.float32)
        spread = np.sqrt(electrons + np.float32(reads * s.read_noise_e**2))
        noise *= spread
        electrons += noise
        return digitise(electrons, s, reads)


def in_bands(height_px: int, width_px: int) -> Iterator[slice]:
    """Rows of a frame, a band after the other: what is reckoned of one stays in the processor's
    cache, and needs no second frame's memory.
    """
    rows = max(1, _BAND_PX // width_px)
    return (slice(first, first + rows) for first in range(0, height_px, rows))


def digitise(electrons: Image, settings: SensorSettings, reads: int = 1) -> Pixels:
    """Return the raw numbers of electrons (rows, columns) as far as a pixel holds them and the
    converter counts; the array is used up.
    """
    s = settings
    level = s.bias_adu * reads + 0.5
    full = s.full_well_e * reads / s.gain_e_per_adu + level
    electrons *= np.float32(1 / s.gain_e_per_adu)
    electrons += np.float32(level)
    raw = np.empty(electrons.shape, np.uint16)
    top = min(full, (2**s.bits - 1) * reads, 65535)
    return np.clip(electrons, 0, top, out=raw, casting="unsafe")


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
