"""Several weather stations: any of them that is unsafe or silent makes the weather unsafe."""

import asyncio
import math
from collections.abc import Awaitable, Callable

import pytest

from devices.misbehaving import CLOCK, Scripted
from nightloom_drivers.devices import Limit, Stations, Weather, WeatherSettings
from nightloom_drivers.link import Kind, LoopbackLink, State, Value
from nightloom_drivers.simulators.simulator import Property
from nightloom_drivers.virtual_loop import run_virtual


def station(name: str, **readings: Value) -> Scripted:
    """A station with a judged rain sensor and these readings."""
    lights: dict[str, Value] = {"WEATHER_RAIN_HOUR": State.OK}
    elements: dict[str, Value] = {"WEATHER_RAIN_HOUR": 0.0, **readings}
    device = Scripted(
        Property(
            "WEATHER_PARAMETERS", Kind.NUMBER, elements, state=State.OK, writable=False,
            labels={"WEATHER_WIND_SPEED": "Wind (km/h)"},
        ),
        Property("WEATHER_STATUS", Kind.LIGHT, lights, state=State.OK, writable=False),
    )  # fmt: skip
    device.device = name
    return device


def measure(*devices: Scripted, **values: Value) -> None:
    for device in devices:
        device.publish("WEATHER_PARAMETERS", State.OK, **values)


def watch(
    story: Callable[[Stations, Scripted, Scripted, LoopbackLink], Awaitable[None]],
    limit: Limit | None = None,
) -> None:
    """Tell a story of a mast with wind and a box without, both connected and measuring."""
    mast, box = station("Mast", WEATHER_WIND_SPEED=4.0), station("Box")
    limits = {} if limit is None else {"WEATHER_WIND_SPEED": limit}

    async def body() -> None:
        async with LoopbackLink([mast, box]) as link:
            made = [
                Weather(link, "Mast", WeatherSettings(180.0, limits), CLOCK),
                Weather(link, "Box", WeatherSettings(60.0), CLOCK),
            ]
            for one in made:
                await one.connect()
            await story(Stations(made), mast, box, link)

    run_virtual(body())


def test_all_must_be_safe() -> None:
    async def story(stations: Stations, mast: Scripted, box: Scripted, _: LoopbackLink) -> None:
        assert stations.reading().never_heard
        measure(mast)
        await asyncio.sleep(1)
        report = stations.reading()
        assert report.reasons == ("Box: the station has not been heard yet",)
        assert report.never_heard
        measure(box)
        report = await stations.until_safe()
        assert report.safe
        assert report.values == {
            "Mast.WEATHER_RAIN_HOUR": 0.0,
            "Mast.WEATHER_WIND_SPEED": 4.0,
            "Box.WEATHER_RAIN_HOUR": 0.0,
        }
        assert stations.names == "Mast, Box"

    watch(story)


def test_rain_at_one_is_not_waited_out_for_another_that_was_never_heard() -> None:
    async def story(stations: Stations, mast: Scripted, _: Scripted, __: LoopbackLink) -> None:
        mast.publish("WEATHER_STATUS", State.ALERT, WEATHER_RAIN_HOUR=State.ALERT)
        measure(mast, WEATHER_RAIN_HOUR=1.0)
        await asyncio.sleep(1)
        report = stations.reading()
        assert report.reasons == (
            "Mast: WEATHER_RAIN_HOUR is in alert at 1",
            "Box: the station has not been heard yet",
        )
        assert not report.never_heard

    watch(story)


@pytest.mark.parametrize("which", ["Mast", "Box"])
def test_any_that_turns_bad_is_heard_at_once(which: str) -> None:
    async def story(stations: Stations, mast: Scripted, box: Scripted, _: LoopbackLink) -> None:
        measure(mast, box)
        await stations.until_safe()
        waits = asyncio.create_task(stations.until_unsafe())
        await asyncio.sleep(10)
        assert not waits.done()
        measure(mast if which == "Mast" else box, WEATHER_RAIN_HOUR=math.nan)
        await asyncio.sleep(0.1)
        report = await waits
        assert report.reasons == (f"{which}: WEATHER_RAIN_HOUR reads nan, no possible value",)

    watch(story)


def test_the_first_that_falls_silent_counts() -> None:
    async def story(stations: Stations, mast: Scripted, box: Scripted, _: LoopbackLink) -> None:
        measure(mast, box)
        began_s = asyncio.get_running_loop().time()
        await stations.until_safe()
        report = await stations.until_unsafe()
        assert asyncio.get_running_loop().time() - began_s == pytest.approx(60, abs=0.1)
        assert report.reasons == ("Box: the station has been silent for 60 s",)

    watch(story)


def test_one_that_is_gone_is_unsafe() -> None:
    async def story(stations: Stations, mast: Scripted, box: Scripted, link: LoopbackLink) -> None:
        measure(mast, box)
        await stations.until_safe()
        waits = asyncio.create_task(stations.until_unsafe())
        await asyncio.sleep(1)
        link.remove("Box")
        assert (await waits).reasons[0] == "Box: the station is gone"

    watch(story)


def test_safe_for_a_while_begins_again_when_any_doubts() -> None:
    async def story(stations: Stations, mast: Scripted, box: Scripted, _: LoopbackLink) -> None:
        safe = asyncio.create_task(stations.until_safe(for_s=300))
        for turn in range(20):
            measure(mast, box)
            if turn == 8:
                measure(box, WEATHER_RAIN_HOUR=math.nan)
                await asyncio.sleep(1)
                measure(box, WEATHER_RAIN_HOUR=0.0)
            assert safe.done() == (turn > 18)
            await asyncio.sleep(30)
        await safe

    watch(story)


def test_the_reason_names_station_parameter_value_limit_and_unit() -> None:
    async def story(stations: Stations, mast: Scripted, box: Scripted, _: LoopbackLink) -> None:
        measure(mast, box)
        await stations.until_safe()
        measure(mast, WEATHER_WIND_SPEED=41.3)
        assert (await stations.until_unsafe()).reasons == (
            "Mast: WEATHER_WIND_SPEED 41.3 km/h is above 36 km/h",
        )

    watch(story, Limit(None, 36.0, "km_h"))


def test_a_limit_in_another_unit_is_unsafe_whatever_the_value() -> None:
    """15 m/s must not be held against 4 km/h."""

    async def story(stations: Stations, mast: Scripted, box: Scripted, _: LoopbackLink) -> None:
        measure(mast, box)
        await asyncio.sleep(1)
        assert stations.reading().reasons == (
            "Mast: WEATHER_WIND_SPEED is measured in km/h and its limit is in m/s",
        )

    watch(story, Limit(None, 15.0, "m_s"))


def test_no_station_is_no_stations() -> None:
    with pytest.raises(ValueError, match="no weather station"):
        Stations([])
