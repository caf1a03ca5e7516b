"""Shelter: a roof is closed, and the weather safe, only when that is beyond doubt."""

import asyncio
import math
from collections.abc import Mapping

import pytest

from devices.misbehaving import CLOCK, EPOCH_S, Scripted, numbers, switches, tell
from nightloom.rig import safety_devices
from nightloom.settings import demo_folder, read_settings
from nightloom_drivers.clock import Clock, LoopClock
from nightloom_drivers.devices import (
    DustCap,
    DustCapSettings,
    Limit,
    Roof,
    RoofSettings,
    RoofState,
    Weather,
    WeatherSettings,
)
from nightloom_drivers.errors import DeviceContradicts, DeviceError, DeviceLate, DeviceRefused
from nightloom_drivers.link import Defined, Kind, Link, LoopbackLink, State, Value
from nightloom_drivers.simulators.simulator import Property
from nightloom_drivers.virtual_loop import run_virtual

Steps = list[tuple[float, State, bool, bool]]
FACES = {
    "DOME_SHUTTER": ("SHUTTER_OPEN", "SHUTTER_CLOSE"),
    "DOME_PARK": ("UNPARK", "PARK"),
    "CAP_PARK": ("UNPARK", "PARK"),
}


def cover_that(name: str, steps: Steps, *, is_open: bool | None = True) -> Scripted:
    """A roof or cap that answers with (delay, state, open switch, closed switch)."""
    opened, closed = FACES[name]

    async def answer(device: Scripted, _: Mapping[str, Value]) -> None:
        for delay_s, state, open_on, closed_on in steps:
            await asyncio.sleep(delay_s)
            device.publish(name, state, **{opened: open_on, closed: closed_on})

    found = "" if is_open is None else opened if is_open else closed
    device = Scripted(switches(name, opened, closed, on=found))
    device.answers[name] = answer
    return device


async def roof_on(link: Link) -> Roof:
    roof = Roof(link, "Odd", RoofSettings(move_deadline_s=30), CLOCK)
    await roof.connect()
    return roof


@pytest.mark.parametrize("name", ["DOME_SHUTTER", "DOME_PARK"])
def test_a_roof_is_closed_when_its_driver_rests_with_closed_on(name: str) -> None:
    device = cover_that(name, [(0, State.BUSY, False, True), (12, State.OK, False, True)])

    async def story(link: Link) -> None:
        roof = await roof_on(link)
        assert [roof.state] == [RoofState.OPEN]
        closing = asyncio.create_task(roof.close())
        await asyncio.sleep(5)
        assert [roof.state] == [RoofState.MOVING]
        await roof.close()  # A second request finds it on its way and asks nothing more.
        assert len(device.requests(name)) == 1
        await closing
        assert [roof.state] == [RoofState.CLOSED]

    tell(device, story)


@pytest.mark.parametrize(
    ("steps", "error"),
    [
        ([(0, State.BUSY, False, True), (5, State.ALERT, False, True)], DeviceRefused),
        ([(0, State.BUSY, False, True)], DeviceLate),
        ([(0, State.OK, True, False)], DeviceContradicts),
        ([(0, State.IDLE, False, False)], DeviceContradicts),
        ([], DeviceLate),
    ],
)
def test_a_roof_that_is_not_confirmed_closed_raises(steps: Steps, error: type[Exception]) -> None:
    async def story(link: Link) -> None:
        roof = await roof_on(link)
        with pytest.raises(error):
            await roof.close()
        assert roof.state is not RoofState.CLOSED

    tell(cover_that("DOME_SHUTTER", steps), story)


@pytest.mark.parametrize("name", ["DOME_SHUTTER", "DOME_PARK"])
def test_a_roof_that_was_not_seen_to_close_is_told_once_whatever_it_says(name: str) -> None:
    device = cover_that(name, [(0, State.OK, False, True)], is_open=False)

    async def story(link: Link) -> None:
        roof = await roof_on(link)
        assert (roof.state, roof.seen) == (RoofState.CLOSED, RoofState.UNKNOWN)
        await roof.close()
        assert roof.seen is RoofState.CLOSED
        await roof.close()
        assert len(device.requests(name)) == 1

    tell(device, story)


def test_what_was_seen_of_a_roof_ends_with_its_drivers_life() -> None:
    device = cover_that("DOME_SHUTTER", [(0, State.OK, False, True)])

    async def story(link: Link) -> None:
        roof = await roof_on(link)
        await roof.close()
        await roof.reconnect()
        assert (roof.state, roof.seen) == (RoofState.CLOSED, RoofState.UNKNOWN)
        await roof.close()
        assert len(device.requests("DOME_SHUTTER")) == 2

    tell(device, story)


def test_a_roof_in_an_unknown_place_says_so() -> None:
    async def story(link: Link) -> None:
        assert (await roof_on(link)).state is RoofState.UNKNOWN

    tell(cover_that("DOME_SHUTTER", [], is_open=None), story)
    with pytest.raises(DeviceError, match="DOME_PARK"):
        tell(Scripted(), story)


def test_a_cap_opens_and_closes_and_starts_without_knowing() -> None:
    device = cover_that(
        "CAP_PARK", [(0, State.BUSY, True, False), (9, State.OK, True, False)], is_open=None
    )

    async def story(link: Link) -> None:
        cap = DustCap(link, "Odd", DustCapSettings(), CLOCK)
        await cap.connect()
        assert cap.is_open is None
        await cap.open()
        assert cap.is_open is True
        await cap.open()
        assert len(device.requests("CAP_PARK")) == 1
        with pytest.raises(DeviceContradicts):
            await cap.close()

    tell(device, story)


# Weather --------------------------------------------------------------------------------------


def station(*more: Property) -> Scripted:
    lights: dict[str, Value] = {"WEATHER_WIND_SPEED": State.OK, "WEATHER_RAIN_HOUR": State.OK}
    readings: dict[str, Value] = {"WEATHER_WIND_SPEED": 4.0, "WEATHER_CLOUD": -20.0}
    return Scripted(
        Property("WEATHER_PARAMETERS", Kind.NUMBER, readings, state=State.OK, writable=False),
        Property("WEATHER_STATUS", Kind.LIGHT, lights, state=State.OK, writable=False),
        switches("WEATHER_OVERRIDE", "OVERRIDE", rule="AnyOfMany"),
        *more,
    )


def measure(device: Scripted, state: State = State.OK, **values: Value) -> None:
    device.publish("WEATHER_PARAMETERS", state, **values)


class SteppingClock(LoopClock):
    """A calendar that somebody sets in mid-night."""

    step_s = 0.0

    def unix_s(self) -> float:
        return super().unix_s() + self.step_s


async def weather_on(link: Link, clock: Clock = CLOCK, **settings: object) -> Weather:
    weather = Weather(link, "Odd", WeatherSettings(**settings), clock)  # type: ignore[arg-type]
    await weather.connect()
    return weather


def test_what_was_measured_before_connecting_is_not_safe_and_a_reading_is() -> None:
    device = station()

    async def story(link: Link) -> None:
        weather = await weather_on(link)
        assert weather.reading().reasons == ("Odd: the station has not been heard yet",)
        measure(device)
        await asyncio.sleep(0.1)
        report = weather.reading()
        assert report.safe
        assert report.values == {"WEATHER_WIND_SPEED": 4.0, "WEATHER_CLOUD": -20.0}
        assert report.age_s == pytest.approx(0.099, abs=0.002)

    tell(device, story)


Change = tuple[str, State, dict[str, Value]]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (
            ("WEATHER_STATUS", State.ALERT, {"WEATHER_RAIN_HOUR": State.ALERT}),
            "WEATHER_RAIN_HOUR is in alert",
        ),
        (
            ("WEATHER_STATUS", State.OK, {"WEATHER_RAIN_HOUR": State.ALERT}),
            "WEATHER_RAIN_HOUR is in alert",
        ),
        (("WEATHER_STATUS", State.ALERT, {}), "WEATHER_STATUS is in alert"),
        (
            ("WEATHER_STATUS", State.OK, {"WEATHER_WIND_SPEED": State.ALERT}),
            "WEATHER_WIND_SPEED is in alert at 4 km/h; the station's own limits are 0 to 3 km/h",
        ),
        (
            ("WEATHER_STATUS", State.IDLE, {"WEATHER_RAIN_HOUR": State.IDLE}),
            "WEATHER_RAIN_HOUR is not judged",
        ),
        (("WEATHER_OVERRIDE", State.BUSY, {"OVERRIDE": True}), "WEATHER_OVERRIDE is on"),
        (
            ("WEATHER_PARAMETERS", State.OK, {"WEATHER_CLOUD": math.nan}),
            "WEATHER_CLOUD reads nan, no possible value",
        ),
        (
            ("WEATHER_PARAMETERS", State.OK, {"WEATHER_CLOUD": -999.0}),
            "WEATHER_CLOUD reads -999, no possible value",
        ),
        (("WEATHER_PARAMETERS", State.ALERT, {}), "the station reports a failure"),
        (
            ("WEATHER_PARAMETERS", State.OK, {"WEATHER_CLOUD": -3.0}),
            "WEATHER_CLOUD -3 °C is above -8 °C",
        ),
    ],
)
def test_each_doubt_makes_the_weather_unsafe_at_once(change: Change, reason: str) -> None:
    device = station(numbers("WEATHER_WIND_SPEED", {"MIN_OK": 0.0, "MAX_OK": 3.0}))
    device.properties["WEATHER_PARAMETERS"].labels["WEATHER_WIND_SPEED"] = "Wind (kph)"
    name, state, values = change

    async def story(link: Link) -> None:
        weather = await weather_on(link, limits={"WEATHER_CLOUD": Limit(None, -8.0, "c")})
        measure(device)
        report = await weather.until_safe()
        watch = asyncio.create_task(weather.until_unsafe())
        await asyncio.sleep(10)
        assert not watch.done()
        device.publish(name, state, **values)
        report = await watch
        assert not report.safe
        assert report.reasons == (f"Odd: {reason}",)

    tell(device, story)


def test_a_warning_is_safe() -> None:
    device = station()

    async def story(link: Link) -> None:
        weather = await weather_on(link)
        measure(device, State.BUSY)
        device.publish("WEATHER_STATUS", State.BUSY, WEATHER_WIND_SPEED=State.BUSY)
        assert (await weather.until_safe()).safe

    tell(device, story)


def test_silence_is_unsafe_to_the_second() -> None:
    device = station()

    async def story(link: Link) -> None:
        weather = await weather_on(link, silence_s=180)
        measure(device)
        await weather.until_safe()
        begun_s = asyncio.get_running_loop().time()
        await asyncio.sleep(60)
        device.publish("WEATHER_STATUS", State.OK)  # Neither is a reading.
        device._outbox(Defined(device.properties["WEATHER_PARAMETERS"].snapshot("Odd")))
        report = await weather.until_unsafe()
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(180, abs=0.1)
        assert report.reasons == ("Odd: the station has been silent for 180 s",)

    tell(device, story)


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_a_step_of_the_calendar_silences_no_station_and_keeps_none_alive(step_s: float) -> None:
    device, clock = station(), SteppingClock(EPOCH_S)

    async def story(link: Link) -> None:
        weather = await weather_on(link, clock, silence_s=180)
        measure(device)
        await weather.until_safe()
        begun_s = asyncio.get_running_loop().time()
        await asyncio.sleep(60)
        clock.step_s = step_s
        assert weather.reading().safe
        assert weather.reading().age_s == pytest.approx(60, abs=0.1)
        await weather.until_unsafe()
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(180, abs=0.1)

    tell(device, story)


async def repeat(device: Scripted, times: int, cloud: float = -20.0) -> None:
    """Say the same once a minute, but for what has nothing to do with the air."""
    for turn in range(times):
        device.properties["WEATHER_PARAMETERS"].elements["BATTERY"] = 12.0 + 0.1 * (turn % 7)
        measure(device, WEATHER_CLOUD=cloud)
        await asyncio.sleep(60)


def test_a_station_that_repeats_a_temperature_for_long_is_silent_until_it_says_more() -> None:
    device = station()
    device.properties["WEATHER_PARAMETERS"].elements["WEATHER_TEMPERATURE"] = 4.1

    async def story(link: Link) -> None:
        weather = await weather_on(link, frozen_s=1800)
        begun_s = asyncio.get_running_loop().time()
        async with asyncio.TaskGroup() as group:
            group.create_task(repeat(device, 40))
            await weather.until_safe()
            report = await weather.until_unsafe()
            assert asyncio.get_running_loop().time() - begun_s == pytest.approx(1800, abs=0.1)
            assert report.reasons == ("Odd: the station has repeated the same values for 1800 s",)
        async with asyncio.TaskGroup() as group:
            group.create_task(repeat(device, 1, -20.5))
            assert (await weather.until_safe()).safe

    tell(device, story)


@pytest.mark.parametrize(("temperature", "frozen_s"), [(False, 1800.0), (True, None)])
def test_a_station_may_repeat_what_need_not_change(
    temperature: bool, frozen_s: float | None
) -> None:
    device = station()
    if temperature:
        device.properties["WEATHER_PARAMETERS"].elements["WEATHER_TEMPERATURE"] = 4.1

    async def story(link: Link) -> None:
        weather = await weather_on(link, frozen_s=frozen_s)
        await repeat(device, 90)
        assert weather.reading().safe

    tell(device, story)


@pytest.mark.parametrize(("said", "frozen_s"), [(900.0, 900.0), (0.0, None)])
def test_the_settings_say_how_long_is_too_long(said: float, frozen_s: float | None) -> None:
    observatory = read_settings(demo_folder()).observatory
    told = observatory.weather[0].model_copy(update={"frozen_s": said})
    changed = observatory.model_copy(update={"weather": (told,)})
    (station,) = safety_devices(LoopbackLink([]), changed, CLOCK).weather
    assert station.settings.frozen_s == frozen_s


def test_old_values_stay_old_when_the_link_was_lost_meanwhile() -> None:
    device = station()
    device.properties["WEATHER_PARAMETERS"].elements["WEATHER_TEMPERATURE"] = 4.1

    async def story() -> None:
        async with LoopbackLink([device]) as link:
            weather = await weather_on(link, frozen_s=1800)
            await repeat(device, 20)
            link.disconnect()
            link.reconnect()
            await weather.connect()
            await repeat(device, 9)
            assert weather.reading().safe
            await repeat(device, 3)
            assert not weather.reading().safe

    run_virtual(story())


def test_news_comes_with_each_word_of_the_station() -> None:
    device = station()

    async def story(link: Link) -> None:
        weather = await weather_on(link)
        for name in ("WEATHER_PARAMETERS", "WEATHER_STATUS", "WEATHER_OVERRIDE"):
            news = asyncio.create_task(weather.news())
            await asyncio.sleep(10)
            assert not news.done()
            device.publish(name, State.OK)
            await asyncio.sleep(0.1)
            assert news.done()

    tell(device, story)


def test_safe_for_a_while_begins_again_after_each_doubt() -> None:
    device = station()

    async def story(link: Link) -> None:
        weather = await weather_on(link)
        safe = asyncio.create_task(weather.until_safe(for_s=600))
        for minute in range(16):
            measure(device, WEATHER_CLOUD=math.nan if minute == 4 else -20.0)
            assert not safe.done()
            await asyncio.sleep(60)
        await safe
        assert weather.reading().safe

    tell(device, story)


def test_a_lost_link_is_unsafe() -> None:
    device = station()

    async def story() -> None:
        async with LoopbackLink([device]) as link:
            weather = await weather_on(link)
            measure(device)
            await weather.until_safe()
            watch = asyncio.create_task(weather.until_unsafe())
            await asyncio.sleep(1)
            link.disconnect()
            assert (await watch).reasons[0] == "Odd: the station is gone"

    run_virtual(story())


def test_a_station_that_judges_nothing_needs_limits_of_our_own() -> None:
    def bare() -> Scripted:
        return Scripted(numbers("WEATHER_PARAMETERS", {"WEATHER_WIND_SPEED": 4.0}))

    async def unjudged(link: Link) -> None:
        weather = await weather_on(link)
        measure(first)
        await asyncio.sleep(1)
        assert weather.reading().reasons == ("Odd: the station judges nothing and no limit is set",)

    async def judged(link: Link) -> None:
        limits = {
            "WEATHER_WIND_SPEED": Limit(None, 30.0, "km_h"),
            "WEATHER_RAIN_HOUR": Limit(None, 0.0, "mm_h"),
        }
        weather = await weather_on(link, limits=limits)
        measure(second)
        await asyncio.sleep(1)
        assert weather.reading().reasons == (
            "Odd: WEATHER_RAIN_HOUR has a limit and is not measured",
        )

    first, second = bare(), bare()
    tell(first, unjudged)
    tell(second, judged)
