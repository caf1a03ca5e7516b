"""A weather station with a sky thermometer."""

import asyncio
from collections.abc import Mapping

from nightloom_drivers.clock import Clock
from nightloom_drivers.link.vector import Kind, State, Value
from nightloom_drivers.physics.weather import Weather
from nightloom_drivers.simulators.simulator import Property, Simulator

KPH_PER_M_PER_S = 3.6

_LIMITS = {
    "WEATHER_WIND_SPEED": (0.0, 36.0, 15.0),
    "WEATHER_RAIN_HOUR": (0.0, 0.0, 15.0),
    "WEATHER_HUMIDITY": (0.0, 95.0, 5.0),
}
"""Lowest and highest good value of the critical parameters, and the percentage of that range
next to an end that is the warning zone: common practice, no source."""


LABELS = {
    "WEATHER_TEMPERATURE": "Temperature (C)",
    "WEATHER_HUMIDITY": "Humidity (%)",
    "WEATHER_DEWPOINT": "Dew point (C)",
    "WEATHER_PRESSURE": "Pressure (hPa)",
    "WEATHER_WIND_SPEED": "Wind (km/h)",
    "WEATHER_WIND_GUST": "Gust (km/h)",
    "WEATHER_RAIN_HOUR": "Rain (mm/h)",
    "WEATHER_SKY_TEMPERATURE": "Sky temperature (C)",
}
"""What it measures, and each unit where INDI's drivers state it: in the label."""


class WeatherSimulator(Simulator):
    """Measures once in WEATHER_UPDATE's period; wind in km/h, rain in mm/h, the rest in °C, %, hPa.

    As in libindi before 2.2, WEATHER_STATUS is sent only when one of its lights changes.
    """

    interface = 128

    def __init__(self, device: str, weather: Weather, clock: Clock) -> None:
        super().__init__(device)
        self._weather, self._clock = weather, clock
        readings: dict[str, Value] = dict.fromkeys(self._readings(), 0.0)
        self.add(
            Property(
                "WEATHER_STATUS",
                Kind.LIGHT,
                dict.fromkeys(_LIMITS, State.IDLE),
                writable=False,
            ),
            Property(
                "WEATHER_PARAMETERS", Kind.NUMBER, readings, writable=False, labels=dict(LABELS)
            ),
            Property("WEATHER_UPDATE", Kind.NUMBER, {"PERIOD": 60.0}, {"PERIOD": (0.0, 3600.0)}),
            Property("WEATHER_REFRESH", Kind.SWITCH, {"REFRESH": False}, rule="AtMostOne"),
            Property("WEATHER_OVERRIDE", Kind.SWITCH, {"OVERRIDE": False}, rule="AnyOfMany"),
            *[
                Property(
                    name,
                    Kind.NUMBER,
                    {"MIN_OK": low, "MAX_OK": high, "PERC_WARN": warn},
                    group="Parameters",
                )
                for name, (low, high, warn) in _LIMITS.items()
            ],
        )

    def connect(self) -> None:
        """Nothing is known yet; the first reading comes at once."""
        status = self.properties["WEATHER_STATUS"]
        status.elements, status.state = dict.fromkeys(_LIMITS, State.IDLE), State.IDLE
        self.act(self._measure_again_and_again())

    def disconnect(self) -> None:
        self.halt()

    def on_weather_update(self, values: Mapping[str, Value]) -> None:
        """Change the period; one more reading is due at the old one."""
        self.publish("WEATHER_UPDATE", State.OK, **values)
        if not self.active:
            self.act(self._measure_again_and_again())

    def on_weather_refresh(self, _: Mapping[str, Value]) -> None:
        self.publish("WEATHER_REFRESH", State.OK, REFRESH=False)
        self._measure()

    def on_weather_override(self, values: Mapping[str, Value]) -> None:
        """The vector's state turns good by decree; its lights go on telling the truth."""
        on = values.get("OVERRIDE") is True
        self.publish("WEATHER_OVERRIDE", State.BUSY if on else State.IDLE, OVERRIDE=on)
        self._judge(always=True)

    async def _measure_again_and_again(self) -> None:
        await asyncio.sleep(0)  # The definitions go first.
        self._measure()
        while (period_s := self.number("WEATHER_UPDATE", "PERIOD")) > 0:
            await asyncio.sleep(period_s)
            self._measure()

    def _measure(self) -> None:
        """The lights go first, as in INDI's own stations."""
        self.properties["WEATHER_PARAMETERS"].elements.update(self._readings())
        self._judge()
        self.publish("WEATHER_PARAMETERS", State.OK)

    def _readings(self) -> dict[str, float]:
        now_s, air = self._clock.unix_s(), self._weather
        readings = {
            "WEATHER_TEMPERATURE": air.temperature_c(now_s),
            "WEATHER_HUMIDITY": air.humidity_percent(now_s),
            "WEATHER_DEWPOINT": air.dew_point_c(now_s),
            "WEATHER_PRESSURE": air.pressure_hpa(now_s),
            "WEATHER_WIND_SPEED": KPH_PER_M_PER_S * air.wind_m_per_s(now_s),
            "WEATHER_WIND_GUST": KPH_PER_M_PER_S * air.gust_m_per_s(now_s),
            "WEATHER_RAIN_HOUR": air.rain_mm_per_h(now_s),
            "WEATHER_SKY_TEMPERATURE": air.sky_temperature_c(now_s),
        }
        return {name: round(value, 3) for name, value in readings.items()}

    def _judge(self, always: bool = False) -> None:
        """Light the lights, and tell when one of them has changed."""
        status, override = self.properties["WEATHER_STATUS"], self.choice("WEATHER_OVERRIDE")
        lights = {name: self._light(name) for name in _LIMITS}
        worst = max(lights.values(), key=(State.IDLE, State.OK, State.BUSY, State.ALERT).index)
        state = State.OK if override else worst
        if always or lights != status.elements:
            self.publish("WEATHER_STATUS", state, **lights)

    def _light(self, name: str) -> State:
        value = self.number("WEATHER_PARAMETERS", name)
        low, high = self.number(name, "MIN_OK"), self.number(name, "MAX_OK")
        warn = (high - low) * self.number(name, "PERC_WARN") / 100.0
        if value < low or value > high:
            return State.ALERT
        near_low, near_high = value < low + warn and low != 0, value > high - warn and high != 0
        return State.BUSY if near_low or near_high else State.OK
