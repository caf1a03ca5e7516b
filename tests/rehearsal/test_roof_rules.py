"""What the observer says of a roof that nobody looks after; each rule is broken by hand."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from night.nights import demo
from nightloom.rehearsal.observer.rules import RULES
from nightloom_drivers.physics.site import Site
from nightloom_drivers.simulators.roof import RoofSimulator
from nightloom_drivers.simulators.weather import WeatherSimulator
from rehearsal.scenes import EVENING_S, STEADY, Changed, Stage, observed

ALLOWED_S = 90.0 + 30.0 + 180.0 / 4.0 + 3.0
"""90 s, the roof's travel, and half a turn of an axis at 4°/s with its settling."""


def weather(**passages: Any) -> Changed:
    return demo(rig=STEADY, weather=passages)


def after(wait_s: float) -> dict[str, float]:
    """When a passage of two hours comes: so long after a scene begins."""
    dusk_s = Site(demo()[1].site).dusk_s(EVENING_S)
    return {"begin_h_after_dusk": (EVENING_S - dusk_s + wait_s) / 3600.0, "duration_h": 2.0}


def rain(wait_s: float) -> Changed:
    return weather(rain=(after(wait_s),))


async def leave_open(stage: Stage) -> None:
    await stage.open_roof()
    await asyncio.sleep(1500.0)


def test_rain_and_nobody_closes() -> None:
    (seen,) = observed(leave_open, rain(600.0)).of("closed_in_time")
    assert "after rain" in seen
    late_s = float(seen.split(" s after")[0].split()[-1])
    assert ALLOWED_S < late_s < ALLOWED_S + 12.0


@pytest.mark.parametrize(("wait_s", "found"), [(100.0, 0), (135.0, 0), (141.0, 1), (200.0, 1)])
def test_rain_and_somebody_closes_in_time_or_too_late(wait_s: float, found: int) -> None:
    async def close_after(stage: Stage) -> None:
        await stage.open_roof()
        await asyncio.sleep(EVENING_S + 600.0 + wait_s - stage.clock.unix_s())
        await stage.close_roof()
        await asyncio.sleep(600.0)

    assert len(observed(close_after, rain(600.0)).of("closed_in_time")) == found


def test_a_roof_that_opens_in_rain() -> None:
    async def open_late(stage: Stage) -> None:
        await asyncio.sleep(900.0)
        await stage.open_roof()

    (seen,) = observed(open_late, rain(60.0)).of("closed_in_time")
    assert "rain" in seen


def test_a_station_that_says_nothing_any_more() -> None:
    async def hush(stage: Stage) -> None:
        await stage.open_roof()
        await stage.ask("Weather", "WEATHER_UPDATE", PERIOD=0.0)
        await asyncio.sleep(60.0 + 180.0 + ALLOWED_S - 60.0)
        assert not stage.rig.world.roof.is_closed(stage.clock.unix_s())
        await asyncio.sleep(120.0)

    (seen,) = observed(hush).of("closed_in_time")
    assert "after the station's silence" in seen


def test_a_station_that_is_switched_off_counts_at_once() -> None:
    async def switch_off(stage: Stage) -> None:
        await stage.open_roof()
        await stage.ask("Weather", "CONNECTION", DISCONNECT=True)
        await asyncio.sleep(ALLOWED_S + 10.0)

    (seen,) = observed(switch_off).of("closed_in_time")
    assert "after the station went away" in seen


def test_a_station_whose_driver_starts_again_has_said_nothing_yet() -> None:
    """As in a server that starts a dead driver anew: the device is there and not switched on."""

    async def die(stage: Stage) -> None:
        await stage.open_roof()
        world = stage.rig.world
        stage.rig.link.replace(WeatherSimulator("Rig Weather", world.weather, stage.clock))
        await asyncio.sleep(ALLOWED_S + 10.0)

    (seen,) = observed(die).of("closed_in_time")
    assert "after the station went away" in seen


def test_a_roof_whose_driver_starts_again_is_still_watched() -> None:
    async def die(stage: Stage) -> None:
        world = stage.rig.world
        stage.rig.link.replace(RoofSimulator("Rig Roof", world.roof, stage.clock, lambda: True))
        await asyncio.sleep(1.0)
        await stage.ask("Roof", "CONNECTION", CONNECT=True)
        await stage.unpark()
        await stage.point()
        await stage.ask("Roof", "DOME_SHUTTER", 0.5, SHUTTER_OPEN=True)

    assert len(observed(die).of("roof_over_parked")) == 1


def test_a_storm_counts_from_the_station_alert_on() -> None:
    """15 m/s are 54 km/h, above the simulated station's 36."""
    gust = after(0.0) | {"wind_m_per_s": 15.0}
    (seen,) = observed(leave_open, weather(gusts=(gust,))).of("closed_in_time")
    assert "after the station's alert" in seen


def test_the_owners_own_limits_count_too() -> None:
    settings, rig = demo(rig=STEADY)
    (station,) = settings.observatory.weather
    told = station.model_dump() | {"limit": {"WEATHER_TEMPERATURE": {"minimum_c": 50.0}}}
    told.pop("limits")
    own = type(station).model_validate(told)
    observatory = settings.observatory.model_copy(update={"weather": (own,)})
    settings = replace(settings, observatory=observatory)
    (seen,) = observed(leave_open, (settings, rig)).of("closed_in_time")
    assert "after the station's alert" in seen


def test_a_roof_that_is_open_after_sunrise() -> None:
    """Sunrise at 47.1° N, 9.6° E on 11 November 2026 is near 6:20 UTC (any almanac)."""
    start_s = datetime(2026, 11, 11, 6, 10, tzinfo=UTC).timestamp()
    (seen,) = observed(leave_open, start_s=start_s).of("closed_in_time")
    assert "after sunrise" in seen


def test_while_the_server_is_gone_nobody_can_close() -> None:
    async def cut(stage: Stage) -> None:
        await stage.open_roof()
        stage.rig.link.disconnect()
        await asyncio.sleep(600.0)
        stage.rig.link.reconnect()
        await asyncio.sleep(1.0)
        await stage.close_roof()

    assert observed(cut, rain(60.0)).of("closed_in_time") == []


def test_the_roof_moves_over_a_mount_that_tracks() -> None:
    async def close_over_it(stage: Stage) -> None:
        await stage.open_roof()
        await stage.unpark()
        await stage.point()
        await stage.close_roof()

    (seen,) = observed(close_over_it).of("roof_over_parked")
    assert "while the mount tracks" in seen


def test_a_roof_that_always_clears_the_telescope_may_pass_over_it() -> None:
    settings, rig = demo(rig=STEADY)
    assert settings.observatory.roof is not None
    roof = settings.observatory.roof.model_copy(update={"clears": "always"})
    observatory = settings.observatory.model_copy(update={"roof": roof})

    async def close_over_it(stage: Stage) -> None:
        await stage.open_roof()
        await stage.unpark()
        await stage.point()
        await stage.close_roof()
        await stage.park()

    changed = replace(settings, observatory=observatory), rig
    assert observed(close_over_it, changed).of("roof_over_parked") == []


def test_a_mount_that_stands_elsewhere_is_not_parked() -> None:
    async def stand_still(stage: Stage) -> None:
        await stage.open_roof()
        await stage.unpark()
        await stage.point()
        await stage.ask("Mount", "TELESCOPE_TRACK_STATE", TRACK_OFF=True)
        await stage.close_roof()

    (seen,) = observed(stand_still).of("roof_over_parked")
    assert "off its park position" in seen


def test_the_roof_moves_while_the_mount_is_still_on_its_way_to_park() -> None:
    async def hurry(stage: Stage) -> None:
        await stage.open_roof()
        await stage.unpark()
        await stage.point()
        await stage.ask("Mount", "TELESCOPE_PARK", PARK=True)
        await stage.close_roof()

    (seen,) = observed(hurry).of("roof_over_parked")
    assert "while the mount moves" in seen


async def wait_in_the_open(stage: Stage) -> None:
    await stage.open_roof()
    await asyncio.sleep(2700.0)
    await stage.close_roof()


def test_the_roof_is_open_for_nothing() -> None:
    """It may be open half an hour before the dark, and ten minutes more."""
    (seen,) = observed(wait_in_the_open).of("open_for_something")
    assert "nothing looked at the sky" in seen


def test_cloud_is_something_to_wait_for() -> None:
    cloud = after(-1800.0) | {"depth_mag": 3.0, "contrast": 0.0}
    assert observed(wait_in_the_open, weather(clouds=(cloud,))).of("open_for_something") == []


def test_looks_at_the_sky_are_something() -> None:
    async def look(stage: Stage) -> None:
        await stage.open_roof()
        await stage.look_for(2700.0)
        await stage.close_roof()

    assert observed(look).of("open_for_something") == []


@pytest.mark.parametrize(("rounds", "found"), [(7, 0), (8, 1)])
def test_too_many_rounds_for_nothing(rounds: int, found: int) -> None:
    async def go_round(stage: Stage) -> None:
        for _ in range(rounds):
            await stage.open_roof()
            await stage.close_roof()

    assert len(observed(go_round).of("one_round")) == found


def test_a_night_left_open_and_tracking_is_not_safe_at_its_end() -> None:
    async def go_away(stage: Stage) -> None:
        await stage.open_roof()
        await stage.unpark()
        await stage.point()

    seen = observed(go_away).of("ends_safe")
    assert ["mount not parked" in one for one in seen] == [True, False]
    assert "100% open" in seen[1]


def test_a_good_round_has_no_finding() -> None:
    async def round_(stage: Stage) -> None:
        await stage.open_roof()
        await stage.unpark()
        await stage.point()
        await stage.expose(120.0)
        await stage.park()
        await stage.close_roof()

    assert observed(round_).findings == []


def test_rules_are_named_once_and_say_what_they_hold() -> None:
    names = [rule.name for rule in RULES]
    assert len(set(names)) == len(names)
    assert all(rule.statement.endswith(".") and rule.unit for rule in RULES)
