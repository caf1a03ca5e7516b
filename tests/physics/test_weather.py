import numpy as np
import pytest

from nightloom_drivers.physics.noise import Wander
from nightloom_drivers.physics.world import World
from nightloom_drivers.rig_settings import (
    AtmosphereSettings,
    CloudPassage,
    GustPassage,
    RainPassage,
    WeatherSettings,
)

from .nights import NOON_S, settings

CALM = WeatherSettings(temperature_scatter_c=0.0, mean_temperature_c=10.0, daily_swing_c=5.0)
NO_HAZE = AtmosphereSettings(haze_log_scatter=0.0)


def test_a_wander_is_the_same_in_whatever_order_it_is_asked() -> None:
    times = np.random.default_rng(1).uniform(0, 1e6, 50).tolist()
    one = Wander(np.random.SeedSequence(5), 0.0, 300.0)
    other = Wander(np.random.SeedSequence(5), 0.0, 300.0)
    assert [one.at(t) for t in times] == list(reversed([other.at(t) for t in reversed(times)]))


def test_a_wander_forgets_exponentially() -> None:
    """Ornstein–Uhlenbeck: unit variance, and correlation 1/e after the correlation time."""
    wander = Wander(np.random.SeedSequence(2), 0.0, 100.0)
    values = wander.sample(np.arange(0, 4e5, 5.0))
    assert values.std() == pytest.approx(1, rel=0.06)
    assert np.mean(values[20:] * values[:-20]) == pytest.approx(np.exp(-1), abs=0.06)


def test_the_air_is_warmest_in_the_afternoon_and_the_tube_follows_late() -> None:
    world = World(settings(weather=CALM), 1, NOON_S)
    hours = np.arange(0, 24, 0.25)
    air = [world.weather.temperature_c(NOON_S + h * 3600) for h in hours]
    assert max(air) == pytest.approx(15, abs=0.01)
    assert min(air) == pytest.approx(5, abs=0.01)
    midnight_s = NOON_S + 12 * 3600
    tube = world.weather.lagged_temperature_c(midnight_s, 1800)
    cooling = world.weather.temperature_c(midnight_s - 1800) - world.weather.temperature_c(
        midnight_s
    )
    assert tube - world.weather.temperature_c(midnight_s) == pytest.approx(cooling, rel=0.1)


def test_humidity_from_the_dew_point() -> None:
    """12.0 °C and a dew point of 5.0 °C: 62.2 % (Magnus formula, WMO-No. 8 coefficients)."""
    weather = CALM.model_copy(update={"daily_swing_c": 0.0, "mean_temperature_c": 12.0})
    world = World(settings(weather=weather.model_copy(update={"dew_point_c": 5.0})), 1, NOON_S)
    assert world.weather.humidity_percent(NOON_S) == pytest.approx(62.2, abs=0.2)


def test_rain_and_gusts_pass() -> None:
    weather = CALM.model_copy(
        update={
            "rain": (RainPassage(begin_h_after_dusk=2, duration_h=1, rate_mm_per_h=3),),
            "gusts": (GustPassage(begin_h_after_dusk=4, duration_h=1, wind_m_per_s=15),),
        }
    )
    world = World(settings(weather=weather), 1, NOON_S)
    at = [world.dusk_s + h * 3600 for h in (1.5, 2.5, 3.5, 4.5)]
    assert [world.weather.rain_mm_per_h(t) for t in at] == [0, 3, 0, 0]
    assert world.weather.humidity_percent(at[1]) > 95
    wind = [world.weather.wind_m_per_s(t) for t in at]
    assert wind[3] > 3 * max(wind[:3])
    assert world.weather.gust_m_per_s(at[3]) > wind[3]


def test_a_cloud_passes_and_is_thickest_low_down() -> None:
    bank = CloudPassage(begin_h_after_dusk=2, duration_h=1, depth_mag=1.0, contrast=0.0)
    weather = CALM.model_copy(update={"clouds": (bank,)})
    world = World(settings(weather=weather, atmosphere=NO_HAZE), 1, NOON_S)
    before, inside = world.dusk_s + 1.9 * 3600, world.dusk_s + 2.5 * 3600
    assert world.clouds.transmission(before, 60, 0) == 1
    assert world.clouds.transmission(inside, 90, 0) == pytest.approx(10**-0.4)
    assert world.clouds.transmission(inside, 30, 0) == pytest.approx(10**-0.8)
    air = world.weather.temperature_c
    assert world.weather.sky_temperature_c(before) - air(before) == pytest.approx(-32)
    assert world.weather.sky_temperature_c(inside) - air(inside) > -24


def test_patches_of_cloud_drift_over_the_sky() -> None:
    bank = CloudPassage(begin_h_after_dusk=0, duration_h=8, depth_mag=1.0, contrast=0.6)
    weather = CALM.model_copy(update={"clouds": (bank,)})
    world = World(settings(weather=weather, atmosphere=NO_HAZE), 1, NOON_S)
    times = world.dusk_s + 1800 + np.arange(0, 6 * 3600, 20.0)
    here = np.array([world.clouds.transmission(float(t), 70, 90) for t in times])
    there = np.array([world.clouds.transmission(float(t), 50, 270) for t in times])
    assert here.min() < 0.3 < 0.5 < here.max()
    assert abs(np.corrcoef(here, there)[0, 1]) < 0.7
    assert np.abs(np.diff(here)).max() < 0.2
