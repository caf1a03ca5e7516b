"""The atmosphere's extinction, glow and seeing."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from nightloom_drivers.physics.noise import Wander
from nightloom_drivers.physics.site import Site
from nightloom_drivers.physics.sphere import separation_deg, unit
from nightloom_drivers.rig_settings import AtmosphereSettings, FilterSettings

_LIGHTS_STEP_S = 20.0  # in which the Sun sinks by less than 0.1°
_DIM_TWILIGHT_NL = 500.0  # a Sun higher than about -11° changes the sky by 8 % meanwhile


def airmass(altitude_deg: float) -> float:
    """Return the relative optical air mass (Kasten & Young 1989); the horizon's below it."""
    altitude = max(altitude_deg, 0.0)
    return 1.0 / (
        math.sin(math.radians(altitude)) + 0.50572 * math.pow(altitude + 6.07995, -1.6364)
    )


def nanolamberts(v_mag_per_arcsec2: float) -> float:
    """Return the surface brightness of V magnitudes (Krisciunas & Schaefer 1991, eq. 1)."""
    return 34.08 * math.exp(20.7233 - 0.92104 * v_mag_per_arcsec2)


def v_mag_per_arcsec2(brightness_nl: float) -> float:
    """Return the V magnitude per arcsec² of nanolamberts."""
    return (20.7233 - math.log(brightness_nl / 34.08)) / 0.92104


def moonlight_nl(
    phase_angle_deg: float,
    separation_deg_: float,
    moon_zenith_deg: float,
    zenith_deg: float,
    extinction_mag: float,
) -> float:
    """Return the V brightness of scattered moonlight (Krisciunas & Schaefer 1991, PASP 103, 1033).

    `extinction_mag` is per air mass. A Moon below the horizon gives none.
    """
    if moon_zenith_deg >= 90.0:
        return 0.0
    phase, rho = abs(phase_angle_deg), max(separation_deg_, 1.0)
    moon = 10 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase**4))
    rayleigh = 10**5.36 * (1.06 + math.cos(math.radians(rho)) ** 2)
    mie = 10 ** (6.15 - rho / 40) if rho > 10 else 6.2e7 / rho**2
    at_moon, at_field = _scattering_airmass(moon_zenith_deg), _scattering_airmass(zenith_deg)
    dimmed = 10 ** (-0.4 * extinction_mag * at_moon)
    scattered = 1 - 10 ** (-0.4 * extinction_mag * at_field)
    return (rayleigh + mie) * moon * dimmed * scattered


def _scattering_airmass(zenith_deg: float) -> float:
    return 1 / math.sqrt(1 - 0.96 * math.sin(math.radians(min(zenith_deg, 90.0))) ** 2)


def twilight_v_mag_per_arcsec2(sun_altitude_deg: float) -> float:
    """Return the zenith's V brightness from the Sun alone.

    For a Sun 5° to 15° down the fit 11.84 + 1.518 x − 0.057 x², x = depression − 5° (Patat,
    Ugolnikov & Postylyakov 2006, A&A 455, 385); outside, straight
    lines: up to the day's 3 mag/arcsec², and by 1.2 mag a degree down to nothing.
    """
    x = -sun_altitude_deg - 5.0
    if x < 0:
        return max(11.84 + 1.518 * x, 3.0)
    if x <= 10:
        return 11.84 + 1.518 * x - 0.057 * x**2
    return 21.32 + 1.2 * (x - 10)


@dataclass(frozen=True)
class _Lights:
    """Sun and Moon as sources of glow; they are looked up in steps of a few seconds."""

    twilight_nl: float
    moon_altitude_deg: float
    moon_azimuth_deg: float
    moon_phase_angle_deg: float


class Sky:
    """What the air above the site does to light."""

    def __init__(
        self,
        settings: AtmosphereSettings,
        site: Site,
        stream: np.random.SeedSequence,
        start_s: float,
    ) -> None:
        self.settings = settings
        self._site = site
        self._lights_at = lru_cache(maxsize=16)(self._lights)
        self._seeing = Wander(stream, start_s - 3600, settings.seeing_correlation_s)

    def extinction(self, filter_: FilterSettings, altitude_deg: float) -> float:
        """Return the share of starlight left by the clear atmosphere."""
        return 10 ** (-0.4 * filter_.extinction_mag_per_airmass * airmass(altitude_deg))

    def brightness_mag_per_arcsec2(
        self, t_s: float, filter_: FilterSettings, altitude_deg: float, azimuth_deg: float
    ) -> float:
        """Return the glow of the clear sky, in the filter's own magnitudes.

        Moonlight and twilight, which the formulas give in V, brighten each band by the same
        surface brightness in its own magnitudes.
        """
        # airglow thickens with the path and is dimmed by it (Krisciunas & Schaefer, eq. 2)
        zenith_deg = 90.0 - max(altitude_deg, 0.0)
        path = _scattering_airmass(zenith_deg)
        dim = 10 ** (-0.4 * filter_.extinction_mag_per_airmass * (path - 1))
        dark = nanolamberts(filter_.sky_mag_per_arcsec2) * dim * path
        step = t_s / _LIGHTS_STEP_S
        lights = self._lights_at(int(step))
        moon = _moonlight_nl(lights, filter_, altitude_deg, azimuth_deg)
        return v_mag_per_arcsec2(dark + self._twilight_nl(step) + moon)

    def seeing_fwhm_arcsec(self, t_s: float, altitude_deg: float, wavelength_nm: float) -> float:
        """Return the FWHM of a star: airmass^0.6 and wavelength^−0.2 (Kolmogorov turbulence)."""
        zenith = self.settings.seeing_fwhm_arcsec * math.exp(
            self.settings.seeing_log_scatter * self._seeing.at(t_s)
        )
        return zenith * math.pow(airmass(altitude_deg), 0.6) * math.pow(wavelength_nm / 500.0, -0.2)

    def _twilight_nl(self, step: float) -> float:
        """Return the Sun's part between two looks at the lights; it grows by ratios."""
        before = self._lights_at(int(step)).twilight_nl
        if before < _DIM_TWILIGHT_NL:
            return before
        return float(before * (self._lights_at(int(step) + 1).twilight_nl / before) ** (step % 1))

    def _lights(self, step: int) -> _Lights:
        t_s = step * _LIGHTS_STEP_S
        return _Lights(
            nanolamberts(twilight_v_mag_per_arcsec2(self._site.sun_altitude_deg(t_s))),
            *self._site.moon_altaz_deg(t_s),
            self._site.moon_phase_angle_deg(t_s),
        )


def _moonlight_nl(
    lights: _Lights, filter_: FilterSettings, altitude_deg: float, azimuth_deg: float
) -> float:
    if lights.moon_altitude_deg <= 0:
        return 0.0
    apart = separation_deg(
        unit(lights.moon_azimuth_deg, lights.moon_altitude_deg), unit(azimuth_deg, altitude_deg)
    )
    return moonlight_nl(
        lights.moon_phase_angle_deg,
        float(apart),
        90.0 - lights.moon_altitude_deg,
        90.0 - max(altitude_deg, 0.0),
        filter_.extinction_mag_per_airmass,
    )
