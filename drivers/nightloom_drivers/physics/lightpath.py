"""From the sky, through air and glass, to a view on the main sensor or the guide sensor."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightloom_drivers.physics.clouds import Clouds
from nightloom_drivers.physics.enclosure import Cover, Panel
from nightloom_drivers.physics.focuser import Focuser, best_focus_steps
from nightloom_drivers.physics.mount import Boresight, Mount
from nightloom_drivers.physics.optics import scale_arcsec_per_px, zero_point_e_per_s
from nightloom_drivers.physics.psf import LARGEST_DISK_PX, Blur
from nightloom_drivers.physics.site import Site
from nightloom_drivers.physics.sky import Sky
from nightloom_drivers.physics.starfield import StarSource
from nightloom_drivers.physics.view import FieldStars, Projection, View
from nightloom_drivers.physics.weather import Weather
from nightloom_drivers.physics.wheel import Wheel
from nightloom_drivers.rig_settings import (
    FilterSettings,
    OpticsSettings,
    RigSettings,
    SensorSettings,
)

Array = NDArray[np.float64]

FWHM_PER_SIGMA = 2.354820045
_MAIN_STEP_S, _MAIN_SAMPLES = 2.0, 48
_GUIDE_SAMPLES = 3
_AIR_SAMPLES = 6  # about so many in a long exposure


@dataclass(frozen=True)
class Air:
    """The sky and the weather over the site."""

    site: Site
    sky: Sky
    clouds: Clouds
    weather: Weather


@dataclass(frozen=True)
class Beam:
    """What the air leaves of starlight, and what it adds, in one direction and filter."""

    altitude_deg: float
    star_share: float
    sky_mag_per_arcsec2: float
    seeing_fwhm_arcsec: float


def beam(air: Air, sight: Boresight, times: Array, filter_: FilterSettings) -> Beam | None:
    """Return the air's part in an exposure's samples, (n,) in Unix time; None when looking at the
    ground.
    """
    middle = len(times) // 2
    middle_s = float(times[middle])
    looking = air.site.altaz_deg(middle_s, sight.apparent[middle])
    altitude, azimuth = float(looking[0]), float(looking[1])
    if altitude <= 0:
        return None
    step = max(len(times) // _AIR_SAMPLES, 1)
    moments = times[step // 2 :: step].tolist()
    clear = [air.clouds.transmission(t, altitude, azimuth) for t in moments]
    fwhm = [air.sky.seeing_fwhm_arcsec(t, altitude, filter_.wavelength_nm) for t in moments]
    return Beam(
        altitude,
        air.sky.extinction(filter_, altitude) * sum(clear) / len(clear),
        air.sky.brightness_mag_per_arcsec2(middle_s, filter_, altitude, azimuth),
        float(np.sqrt(np.mean(np.square(fwhm)))),
    )


def sample_times(t_start_s: float, exposure_s: float, count: int) -> Array:
    """Return the middles of equal parts of an exposure: (count,) in Unix time."""
    return t_start_s + exposure_s * (np.arange(count) + 0.5) / count


def projection(optics: OpticsSettings, sensor: SensorSettings) -> Projection:
    """Return how a telescope lays the sky on a sensor."""
    scale = scale_arcsec_per_px(optics, sensor)
    return Projection(sensor.width_px, sensor.height_px, scale, optics.mirrored)


class MainLightPath:
    """All that stands between the stars and the main sensor."""

    def __init__(
        self,
        settings: RigSettings,
        air: Air,
        stars: StarSource,
        mount: Mount,
        focuser: Focuser,
        wheel: Wheel,
        covers: tuple[Cover, Cover],
        panel: Panel,
    ) -> None:
        self._settings = settings
        self._air, self._mount, self._focuser, self._wheel = air, mount, focuser, wheel
        self._roof, self._cap = covers
        self._panel = panel
        self._projection = projection(settings.optics, settings.sensor)
        self._field = FieldStars(stars, self._projection, settings.star_limit_mag)

    def view(self, t_start_s: float, exposure_s: float) -> View:
        """Return what the sensor sees, averaged over an exposure that has ended."""
        count = int(np.clip(exposure_s / _MAIN_STEP_S, 4, _MAIN_SAMPLES))
        times = sample_times(t_start_s, exposure_s, count)
        filter_ = self._wheel.filter(t_start_s + exposure_s / 2)
        if filter_ is None:
            return View.starless()
        cap = self._cap.sample(times)
        panel = np.array([self._panel.output(t) for t in times.tolist()]) * (1 - cap)
        panel_mag = self._settings.enclosure.panel_mag_per_arcsec2
        glow = self._glow(filter_, panel_mag) * float(panel.mean())
        way = float(np.mean(cap * self._roof.sample(times)))
        glow += self._leak(filter_, float(times[count // 2])) * (1 - way)
        sight = self._mount.boresight(times)
        air = beam(self._air, sight, times, filter_) if way > 0 else None
        if air is None:
            return View.starless(glow)
        x, y, light, smear = self._field.on(sight)
        return View(
            x,
            y,
            light * (self._zero_point(filter_) * air.star_share * way),
            self._blur(times, filter_, air, smear),
            glow + self._glow(filter_, air.sky_mag_per_arcsec2) * way,
        )

    def best_focus_steps(self, t_s: float) -> float | None:
        """Return the drawtube position of best focus now, or None between two filters."""
        filter_ = self._wheel.filter(t_s)
        if filter_ is None:
            return None
        altitude, _ = self._air.site.altaz_deg(t_s, self._mount.apparent_vector(t_s))
        return self._best_focus_steps(t_s, filter_, float(altitude))

    def _best_focus_steps(self, t_s: float, filter_: FilterSettings, altitude_deg: float) -> float:
        focus = self._settings.focus
        tube_c = self._air.weather.lagged_temperature_c(t_s, focus.thermal_lag_s)
        return best_focus_steps(focus, filter_, tube_c, altitude_deg)

    def _blur(self, times: Array, filter_: FilterSettings, air: Beam, smear: Array) -> Blur:
        """Return what air, focus and the smear's covariance, (2, 2) in px², make of a star over
        times (n,).
        """
        settings = self._settings
        middle_s = float(times[len(times) // 2])
        best = self._best_focus_steps(middle_s, filter_, air.altitude_deg)
        out_steps = np.mean([self._focuser.drawtube_steps(t) - best for t in times.tolist()])
        out_px = abs(float(out_steps)) * settings.focuser.step_um / settings.sensor.pixel_um
        sigma_px = air.seeing_fwhm_arcsec / FWHM_PER_SIGMA / self._projection.arcsec_per_px
        return Blur(
            sigma_px**2 + float(smear[0, 0]),
            sigma_px**2 + float(smear[1, 1]),
            float(smear[0, 1]),
            min(out_px / (2 * settings.optics.focal_ratio), LARGEST_DISK_PX),
            settings.optics.central_obstruction,
        )

    def _leak(self, filter_: FilterSettings, t_s: float) -> float:
        """Return electrons per second in a pixel from the sky past closed covers."""
        share = self._settings.enclosure.leak_share
        if share == 0.0:
            return 0.0
        return (
            self._glow(filter_, self._air.sky.brightness_mag_per_arcsec2(t_s, filter_, 90, 0))
            * share
        )

    def _zero_point(self, filter_: FilterSettings) -> float:
        settings = self._settings
        return zero_point_e_per_s(
            settings.optics, settings.sensor, filter_.wavelength_nm, filter_.band_nm, filter_.peak
        )

    def _glow(self, filter_: FilterSettings, mag_per_arcsec2: float) -> float:
        """Return electrons per second in a pixel from a surface brightness."""
        area_arcsec2 = self._projection.arcsec_per_px**2
        return self._zero_point(filter_) * area_arcsec2 * float(10 ** (-0.4 * mag_per_arcsec2))


class GuideLightPath:
    """The guide telescope: fixed focus, no filter, under the roof beside the main one."""

    def __init__(
        self, settings: RigSettings, air: Air, stars: StarSource, mount: Mount, roof: Cover
    ) -> None:
        guide = settings.guide
        self._settings, self._air, self._mount, self._roof = settings, air, mount, roof
        self._projection = projection(guide.optics, guide.sensor)
        self._field = FieldStars(stars, self._projection, guide.limit_mag)
        self._filter = FilterSettings(
            name="guide", wavelength_nm=guide.wavelength_nm, band_nm=guide.band_nm
        )
        self._zero_point = zero_point_e_per_s(
            guide.optics, guide.sensor, guide.wavelength_nm, guide.band_nm, self._filter.peak
        )

    def view(self, t_start_s: float, exposure_s: float) -> View:
        """Return what the guide sensor sees, averaged over an exposure that has ended."""
        times = sample_times(t_start_s, exposure_s, _GUIDE_SAMPLES)
        way = self._roof.position(float(times[-1]))
        sight = self._mount.boresight(times)
        air = beam(self._air, sight, times, self._filter) if way > 0 else None
        if air is None:
            return View.starless()
        x, y, light, smear = self._field.on(self._beside(sight))
        scale = self._projection.arcsec_per_px
        fwhm = np.hypot(air.seeing_fwhm_arcsec, self._settings.guide.blur_fwhm_arcsec)
        variance = float(fwhm / FWHM_PER_SIGMA / scale) ** 2
        glow = self._zero_point * scale**2 * float(10 ** (-0.4 * air.sky_mag_per_arcsec2))
        return View(
            x,
            y,
            light * (self._zero_point * air.star_share * way),
            Blur(variance + float(smear[0, 0]), variance + float(smear[1, 1])),
            glow * way,
        )

    def _beside(self, main: Boresight) -> Boresight:
        """Return where the guide telescope points: the offset turns with the tube."""
        guide, camera_deg = self._settings.guide, self._settings.mount.camera_angle_deg
        tube_deg = main.rotation_deg - camera_deg
        turn = np.radians(tube_deg)
        east, north = guide.offset_east_arcmin / 60, guide.offset_north_arcmin / 60
        d_north = north * np.cos(turn) - east * np.sin(turn)
        d_east = east * np.cos(turn) + north * np.sin(turn)
        dec = np.clip(main.dec_deg + d_north, -89.99, 89.99)
        ra = (main.ra_deg + d_east / np.cos(np.radians(dec))) % 360
        return Boresight(ra, dec, tube_deg + guide.angle_deg, main.apparent)
