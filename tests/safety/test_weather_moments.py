"""Rain at moments in which nobody used to look: the roof is closed in time, whatever goes on.

What closing in time means is stated in `Evening.within_s`.
"""

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from nightloom_drivers.simulators.rig import STATION, WHEEL
from nightloom_drivers.simulators.weather import WeatherSimulator
from safety.evenings import (
    ACQUIRES_S,
    DARK_S,
    NOTICED_S,
    OPENS_S,
    Scene,
    at_hour_angle,
    evening,
    short_subs,
)

DOWNLOAD_S = 15.0


def test_rain_while_holding_under_cloud(tmp_path: Path) -> None:
    """The stars have been gone for a quarter of an hour when it begins to rain."""

    async def cloud_and_rain(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 120.0)
        scene.faults.cloud(for_s=2.0 * 3600.0)
        await asyncio.sleep(900.0)
        scene.faults.rain(for_s=1.5 * 3600.0)

    seen = evening(tmp_path, cloud_and_rain, hours=1.0)
    assert seen.late_s == 0.0
    assert seen.moved_over_unparked_s == 0.0
    assert seen.violations == []


def test_rain_while_the_open_roof_waits_for_the_hour(tmp_path: Path) -> None:
    """Between opening and the first target there is half an hour for the air to settle."""

    async def rain(scene: Scene) -> None:
        await asyncio.sleep((OPENS_S + ACQUIRES_S) / 2.0)
        scene.faults.rain(for_s=1800.0)

    seen = evening(tmp_path, rain, hours=0.3)
    assert seen.late_s == 0.0
    assert seen.violations == []


def test_rain_while_a_target_is_still_to_rise(tmp_path: Path) -> None:
    """The target comes over its floor an hour after dusk; it rains half an hour before."""

    async def rain(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 1500.0)
        scene.faults.rain(for_s=1200.0)

    seen = evening(tmp_path, rain, hours=1.3, changed=at_hour_angle(-6.95))
    assert seen.late_s == 0.0
    assert seen.violations == []


@pytest.mark.parametrize("fault", ["station_silent", "station_gone", "station_frozen"])
def test_a_station_that_fails_is_unsafe_weather(tmp_path: Path, fault: str) -> None:
    """Silence counts from the last reading. A station that repeats itself to the last digit for
    half an hour is broken (common practice, no source): air is never that steady."""

    async def fail(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 120.0)
        getattr(scene.faults, fault)()

    seen = evening(tmp_path, fail, hours=0.68 if fault == "station_frozen" else 0.26)
    failed_s = seen.moments[0].at_s + DARK_S + 120.0
    silence_s = 180.0 if fault != "station_frozen" else 1800.0
    assert seen.closed_after(failed_s) <= silence_s + seen.within_s
    assert seen.violations == []


def test_rain_in_a_download_closes_and_keeps_the_sub(tmp_path: Path) -> None:
    """What the shutter has collected is not thrown away because it rains now."""

    async def rain(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 300.0)
        await scene.downloading()
        scene.faults.rain()
        station = scene.faults.simulator(STATION)
        assert isinstance(station, WeatherSimulator)
        station.receive("WEATHER_REFRESH", {"REFRESH": True})

    settings, rig = short_subs()
    rig = rig.model_copy(
        update={"sensor": rig.sensor.model_copy(update={"download_s": DOWNLOAD_S})}
    )
    seen = evening(tmp_path, rain, hours=0.3, changed=(settings, rig))
    assert seen.late_s == 0.0
    assert seen.violations == []
    assert len(seen.story.frames) == seen.subs_exposed > 0


def test_a_sub_is_kept_when_the_next_filter_is_refused_in_its_download(tmp_path: Path) -> None:
    async def refuse(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 300.0)
        await scene.exposing()
        scene.faults.refuses(WHEEL, "FILTER_SLOT")

    settings, rig = short_subs()
    rig = rig.model_copy(
        update={"sensor": rig.sensor.model_copy(update={"download_s": DOWNLOAD_S})}
    )
    seen = evening(tmp_path, refuse, hours=0.3, changed=(settings, rig))
    assert len(seen.story.frames) == seen.subs_exposed > 0
    assert seen.violations == []


def test_a_roof_without_a_weather_station_is_not_opened_in_rain(tmp_path: Path) -> None:
    """Nobody looks at the sky then: a roof that nothing can close in time stays closed."""

    async def rain(scene: Scene) -> None:
        scene.faults.rain(for_s=4.0 * 3600.0)

    settings, rig = short_subs()
    blind = replace(settings, observatory=settings.observatory.model_copy(update={"weather": ()}))
    seen = evening(tmp_path, rain, hours=0.3, changed=(blind, rig))
    assert seen.open_s(seen.rained_s + NOTICED_S, seen.ended_s) == 0.0
