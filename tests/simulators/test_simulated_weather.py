"""The simulated weather station, over the loopback."""

import asyncio

from nightloom_drivers.physics.site import Site
from nightloom_drivers.rig_settings import RainPassage, WeatherSettings
from nightloom_drivers.virtual_loop import run_virtual
from simulators.on_loopback import SETTINGS, START_S, bench

STATION = "Rig Weather"


def test_the_station_reports_at_once_and_then_once_a_period() -> None:
    async def night() -> None:
        async with bench(STATION) as rig:
            await asyncio.sleep(0.1)
            status = rig.link.get(STATION, "WEATHER_STATUS")
            assert status is not None
            assert status.state == "Ok"
            assert set(status.elements.values()) == {"Ok"}
            with rig.story(STATION, "WEATHER_PARAMETERS", "WEATHER_STATUS") as told:
                await asyncio.sleep(600.0)
            # The lights are sent only when they change, and a calm night changes none.
            assert [name for name, _, _ in told] == ["WEATHER_PARAMETERS"] * 10

    run_virtual(night())


def test_rain_is_an_alert_and_its_end_is_told() -> None:
    dusk_s = Site(SETTINGS.site).dusk_s(START_S)
    begin_h = (START_S - dusk_s) / 3600 + 0.5
    rain = WeatherSettings(rain=(RainPassage(begin_h_after_dusk=begin_h, duration_h=0.5),))

    async def night() -> list[tuple[str, str]]:
        async with bench(STATION, settings=SETTINGS.model_copy(update={"weather": rain})) as rig:
            await asyncio.sleep(1.0)
            with rig.story(STATION, "WEATHER_STATUS") as told:
                await asyncio.sleep(2 * 3600.0)
            rain_light = list(rig.link.vectors(STATION)[3].elements).index("WEATHER_RAIN_HOUR")
            return [(state, str(values[rain_light])) for _, state, values in told]

    assert run_virtual(night()) == [("Alert", "Alert"), ("Ok", "Ok")]


def test_an_override_calms_the_vector_and_leaves_the_lights() -> None:
    async def night() -> None:
        async with bench(STATION) as rig:
            await asyncio.sleep(1.0)
            impossible = {"MIN_OK": 200.0, "MAX_OK": 300.0, "PERC_WARN": 0.0}
            await rig.ask(STATION, "WEATHER_HUMIDITY", impossible)
            await rig.ask(STATION, "WEATHER_REFRESH", {"REFRESH": True})
            await asyncio.sleep(1.0)
            await rig.ask(STATION, "WEATHER_OVERRIDE", {"OVERRIDE": True}, end="Busy")
            await asyncio.sleep(1.0)
            status = rig.link.get(STATION, "WEATHER_STATUS")
            assert status is not None
            assert status.state == "Ok"
            assert status["WEATHER_HUMIDITY"] == "Alert"

    run_virtual(night())


def test_a_value_near_its_limit_is_busy() -> None:
    async def night() -> None:
        async with bench(STATION) as rig:
            await asyncio.sleep(1.0)
            known = rig.link.get(STATION, "WEATHER_PARAMETERS")
            assert known is not None
            close = {
                "MIN_OK": 0.0,
                "MAX_OK": known.number("WEATHER_HUMIDITY") * 1.05,
                "PERC_WARN": 50.0,
            }
            await rig.ask(STATION, "WEATHER_HUMIDITY", close)
            sent = rig.link.set(STATION, "WEATHER_REFRESH", {"REFRESH": True})
            status = await rig.link.wait(
                STATION, "WEATHER_STATUS", lambda _: True, after=sent, timeout_s=5
            )
            assert status["WEATHER_HUMIDITY"] == "Busy"
            assert status.state == "Busy"

    run_virtual(night())


def test_a_period_of_zero_ends_the_reports_after_one_more() -> None:
    async def night() -> int:
        async with bench(STATION) as rig:
            await asyncio.sleep(1.0)
            await rig.ask(STATION, "WEATHER_UPDATE", {"PERIOD": 0.0})
            with rig.story(STATION, "WEATHER_PARAMETERS") as told:
                await asyncio.sleep(3600.0)
            return len(told)

    assert run_virtual(night()) == 1
