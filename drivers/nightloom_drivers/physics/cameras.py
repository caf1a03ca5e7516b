"""The two cameras: they turn a view of the sky into a frame of raw numbers."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.physics.cooler import Cooler
from nightloom_drivers.physics.lightpath import GuideLightPath, MainLightPath
from nightloom_drivers.physics.psf import add_stars, gaussian_stamps
from nightloom_drivers.physics.sensor import Pixels as Pixels
from nightloom_drivers.physics.sensor import Sensor, binned, digitise
from nightloom_drivers.physics.view import View
from nightloom_drivers.physics.weather import Weather
from nightloom_drivers.rig_settings import SensorSettings

_FAINTEST = 0.15  # of the noise of a pixel: stars with a fainter peak are not drawn
_POOL_SIZE = 1 << 20


@dataclass(frozen=True)
class Window:
    """A part of the sensor in unbinned pixels, counted from 0."""

    x: int
    y: int
    width: int
    height: int

    @property
    def area(self) -> tuple[slice, slice]:
        """The rows and columns of the window."""
        return slice(self.y, self.y + self.height), slice(self.x, self.x + self.width)


def sees_light(kind: FrameKind, sensor: SensorSettings) -> bool:
    """Whether light that falls onto a sensor gets into a frame of a kind."""
    return kind in (FrameKind.LIGHT, FrameKind.FLAT) or (
        kind is FrameKind.DARK and not sensor.has_shutter
    )


class MainCamera:
    """The cooled imaging camera."""

    def __init__(
        self, sensor: Sensor, path: MainLightPath, cooler: Cooler, stream: np.random.SeedSequence
    ) -> None:
        self.settings = sensor.settings
        self.cooler = cooler
        self._sensor, self._path = sensor, path
        self._rng = np.random.default_rng(stream)

    def view(self, t_start_s: float, exposure_s: float) -> View:
        """Return the stars and the glow of an exposure that has ended, without pixels."""
        return self._path.view(t_start_s, exposure_s)

    def expose(
        self,
        t_start_s: float,
        exposure_s: float,
        kind: FrameKind = FrameKind.LIGHT,
        window: Window | None = None,
        binning: int = 1,
    ) -> Pixels:
        """Return the frame, shape (height, width) after binning; the first row is the lowest.

        The world's wheel, focuser, mount, covers and panel are read through the exposure, so ask
        when it has ended. A bias sees no light; a dark sees none when the sensor has a shutter.
        All others see the sky, or the panel when the cap is closed. Binned pixels are sums.
        """
        whole = Window(0, 0, self.settings.width_px, self.settings.height_px)
        window = window or whole
        exposure_s = 0.0 if kind is FrameKind.BIAS else exposure_s
        sensor_c = self.cooler.temperature_c(t_start_s + exposure_s / 2)
        area, lit = window.area, sees_light(kind, self.settings) and exposure_s > 0
        warmth = np.float32(self._sensor.warmth(sensor_c) * exposure_s)
        electrons = self._sensor.dark_at_0c[area] * warmth
        if lit:
            view = self.view(t_start_s, exposure_s)
            light = np.full(electrons.shape, view.glow_e_per_s * exposure_s, np.float32)
            self._draw(light, view, exposure_s, window)
            light *= self._sensor.response[area]
            electrons += light
        return self._sensor.read(binned(electrons, binning), self._rng, binning**2)

    def _draw(
        self, light: NDArray[np.float32], view: View, exposure_s: float, window: Window
    ) -> None:
        """Add the stars of a view to the light (rows, columns) of a window, in electrons."""
        blur = view.blur
        spread_px2 = 2 * np.pi * blur.sigma_px**2 + np.pi * blur.disk_radius_px**2
        noise = np.sqrt(view.glow_e_per_s * exposure_s + self.settings.read_noise_e**2)
        seen = view.flux_e_per_s * exposure_s > _FAINTEST * noise * spread_px2
        flux = view.flux_e_per_s[seen] * exposure_s
        add_stars(light, view.x[seen] - window.x, view.y[seen] - window.y, flux, blur)


class GuideCamera:
    """The small uncooled camera on the guide telescope, under the roof but not the dust cap.

    It is 5 °C warmer than the air. Its noise is read from a pool drawn once, from a place drawn for
    every frame.
    """

    def __init__(
        self,
        sensor: Sensor,
        path: GuideLightPath,
        weather: Weather,
        jitter_arcsec: float,
        arcsec_per_px: float,
        stream: np.random.SeedSequence,
    ) -> None:
        self.settings = sensor.settings
        self._sensor, self._path, self._weather = sensor, path, weather
        self._jitter_px = jitter_arcsec / arcsec_per_px
        self._rng = np.random.default_rng(stream)
        pixels = self.settings.width_px * self.settings.height_px
        self._pool = self._rng.standard_normal(max(_POOL_SIZE, 2 * pixels), np.float32)

    def view(self, t_start_s: float, exposure_s: float) -> View:
        """Return the stars and the glow of an exposure that has ended, without pixels.

        Every call draws the air's motion of the stars afresh.
        """
        view = self._path.view(t_start_s, exposure_s)
        return view.shaken(exposure_s, self._jitter_px, self._rng)

    def expose(
        self,
        t_start_s: float,
        exposure_s: float,
        kind: FrameKind = FrameKind.LIGHT,
        window: Window | None = None,
    ) -> Pixels:
        """Return the frame, shape (height, width); dark and bias frames see no light."""
        s = self.settings
        exposure_s = 0.0 if kind is FrameKind.BIAS else exposure_s
        lit = kind in (FrameKind.LIGHT, FrameKind.FLAT) and exposure_s > 0
        view = self.view(t_start_s, exposure_s) if lit else View.starless()
        warmth = self._sensor.warmth(self._weather.temperature_c(t_start_s) + 5.0)
        electrons = self._sensor.dark_at_0c * np.float32(warmth * exposure_s)
        even = view.glow_e_per_s + s.dark_e_per_s * warmth
        noise = float(np.sqrt(even * exposure_s + s.read_noise_e**2))
        electrons += self._starlight(view, exposure_s, noise)
        electrons += np.float32(view.glow_e_per_s * exposure_s)
        begin = int(self._rng.integers(len(self._pool) - electrons.size))
        grain = np.sqrt(electrons + np.float32(s.read_noise_e**2))
        grain *= self._pool[begin : begin + electrons.size].reshape(electrons.shape)
        electrons += grain
        frame = digitise(electrons, s)
        return frame if window is None else frame[window.area].copy()

    def _starlight(self, view: View, exposure_s: float, noise: float) -> NDArray[np.float32]:
        """Return the stars of a view in electrons, (rows, columns); `noise` is a dark pixel's."""
        sigma = view.blur.sigma_px
        reach = int(np.ceil(4 * sigma)) + 1
        height, width = self.settings.height_px, self.settings.width_px
        flux = view.flux_e_per_s * exposure_s
        seen = np.flatnonzero(
            (flux > _FAINTEST * noise * 2 * np.pi * sigma**2)
            & (view.x > -reach)
            & (view.x < width - 1 + reach)
            & (view.y > -reach)
            & (view.y < height - 1 + reach)
        )
        left, down, images = gaussian_stamps(view.x[seen], view.y[seen], sigma, reach)
        images *= flux[seen][:, None, None]
        # with a margin round the sensor that holds what shines beyond its edge
        size = 2 * reach + 1
        rows, columns = height + 2 * size, width + 2 * size
        step = np.arange(size, 2 * size)
        place = (down[:, None, None] + step[:, None]) * columns + left[:, None, None] + step
        light = np.bincount(place.ravel(), images.ravel(), rows * columns)
        return light.reshape(rows, columns)[size:-size, size:-size].astype(np.float32)
