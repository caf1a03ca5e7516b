"""Air at the site: temperature, humidity, wind, rain, and what a sky thermometer reads."""

import math

import numpy as np

from nightloom_drivers.physics.clouds import Clouds
from nightloom_drivers.physics.noise import Wander
from nightloom_drivers.rig_settings import RainPassage, SiteSettings, WeatherSettings

_DAY_S = 86400.0
_LAG_QUANTILES = -np.log(1 - (np.arange(24) + 0.5) / 24)


class Weather:
    """What a weather station and a sky thermometer measure."""

    def __init__(
        self,
        settings: WeatherSettings,
        site: SiteSettings,
        clouds: Clouds,
        streams: tuple[np.random.SeedSequence, np.random.SeedSequence],
        start_s: float,
        dusk_s: float,
    ) -> None:
        self.settings = settings
        self._clouds = clouds
        self._showers = list(settings.rain)
        self._noon_s = 43200.0 - site.longitude_deg * 240.0
        self._dusk_s = dusk_s
        self._warmth = Wander(streams[0], start_s - _DAY_S / 2, 3600.0)
        self._wind = Wander(streams[1], start_s - _DAY_S / 2, 300.0)

    def temperature_c(self, t_s: float) -> float:
        """Return the ambient temperature."""
        wave = math.cos(2 * math.pi * (t_s - self._noon_s - 3 * 3600) / _DAY_S)
        swing = self.settings.daily_swing_c * wave
        noise = self.settings.temperature_scatter_c * self._warmth.at(t_s)
        return self.settings.mean_temperature_c + swing + noise

    def lagged_temperature_c(self, t_s: float, lag_s: float) -> float:
        """Return the temperature of a body that follows the air with a time constant.

        The exponential memory is read at quantiles of equal weight.
        """
        past = (t_s - lag_s * _LAG_QUANTILES).tolist()
        return sum(map(self.temperature_c, past)) / len(past)

    def humidity_percent(self, t_s: float) -> float:
        """Return the relative humidity, by the Magnus formula with WMO coefficients."""
        if self.rain_mm_per_h(t_s) > 0:
            return 98.0
        ratio = _saturation(self.settings.dew_point_c) / _saturation(self.temperature_c(t_s))
        return min(100.0 * ratio, 100.0)

    def dew_point_c(self, t_s: float) -> float:
        """Return the dew point, never above the air temperature."""
        return min(self.settings.dew_point_c, self.temperature_c(t_s))

    def pressure_hpa(self, t_s: float) -> float:
        return self.settings.pressure_hpa

    def wind_m_per_s(self, t_s: float) -> float:
        """Return the wind speed: a spell of wind, if one blows, sets its mean."""
        hours = (t_s - self._dusk_s) / 3600
        means = [
            g.wind_m_per_s
            for g in self.settings.gusts
            if g.begin_h_after_dusk <= hours < g.begin_h_after_dusk + g.duration_h
        ]
        return max([self.settings.wind_m_per_s, *means]) * math.exp(0.25 * self._wind.at(t_s))

    def gust_m_per_s(self, t_s: float) -> float:
        """Return the gust speed: half as much again as the mean (common practice, no source)."""
        return 1.5 * self.wind_m_per_s(t_s)

    def rain_mm_per_h(self, t_s: float) -> float:
        hours = (t_s - self._dusk_s) / 3600
        return sum(
            r.rate_mm_per_h
            for r in self._showers
            if r.begin_h_after_dusk <= hours < r.begin_h_after_dusk + r.duration_h
        )

    def add_rain(self, from_s: float, for_s: float, rate_mm_per_h: float) -> None:
        """Have it rain besides, from a Unix time on."""
        begin_h = (from_s - self._dusk_s) / 3600
        self._showers.append(
            RainPassage(
                begin_h_after_dusk=begin_h, duration_h=for_s / 3600, rate_mm_per_h=rate_mm_per_h
            )
        )

    def sky_temperature_c(self, t_s: float) -> float:
        """Return what an infrared thermometer looking up reads.

        Ambient −32 °C under a clear sky up to −10 °C under thick cloud, inside the ranges seen at
        Calar Alto (clear below −28 °C, overcast above −14 °C relative to ambient).
        """
        veil = 1.0 - self._clouds.transmission(t_s, 90.0, 0.0)
        return self.temperature_c(t_s) - 32.0 + 22.0 * veil


def _saturation(temperature_c: float) -> float:
    return math.exp(17.62 * temperature_c / (243.12 + temperature_c))
