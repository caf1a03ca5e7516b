"""What nobody watched: open with nothing to do, tracking on its own, waiting for ever."""

import asyncio
from pathlib import Path
from typing import Any

import pytest

from night.nights import NIGHT
from nightloom.schedule.windows import darkness
from nightloom.sky import Site, sun_altitude
from nightloom.telemetry import events as e
from nightloom_drivers.simulators.rig import CAMERA, FOCUSER, GUIDE_CAMERA, MOUNT
from safety.evenings import DARK_S, SUB_S, Scene, at_hour_angle, evening, nothing, short_subs

WEST_ENDS_H = 0.25
"""The demo observatory's limit for a telescope west of the pier."""

TOLERANCE_H = 0.02

AFTER_H = 0.05
"""How long after the beginning of the dark the limit comes."""


def test_the_roof_stays_closed_while_nothing_is_due(tmp_path: Path) -> None:
    """A target that comes over its floor hours after dusk needs no open roof at dusk."""
    seen = evening(tmp_path, nothing, hours=1.65, changed=at_hour_angle(-7.25))
    first_s = min(frame.start_utc.timestamp() for frame in seen.story.frames)
    start_s = seen.moments[0].at_s
    assert first_s - start_s > DARK_S + 3600.0
    assert seen.open_s(start_s, first_s - 3600.0) == 0.0
    assert seen.left_as == "parked and closed"
    assert seen.violations == []


def test_the_roof_stays_closed_in_sunlight(tmp_path: Path) -> None:
    """With settings that are allowed one by one: open two hours before a dusk at 0°."""
    changed = short_subs(
        policies={"dark": {"sun_altitude_deg": 0.0}, "acquire": {"open_before_s": 7200.0}},
    )
    seen = evening(tmp_path, nothing, hours=0.3, changed=changed)
    place = changed[0].observatory.site
    site = Site(place.latitude_deg, place.longitude_deg, place.elevation_m)
    opened = [moment.at_s for moment in seen.moments if moment.roof > 0.0]
    assert all(float(sun_altitude(site, at_s)) <= 0.0 for at_s in opened)
    assert seen.left_as == "parked and closed"


@pytest.mark.parametrize("device", [FOCUSER, pytest.param(CAMERA, marks=pytest.mark.long)])
def test_a_mount_does_not_track_on_while_a_device_is_waited_for(
    tmp_path: Path, device: str
) -> None:
    """West of the pier, minutes before its limit, something dies that imaging cannot do without."""

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 60.0)
        scene.faults.dead(device)

    changed = at_hour_angle(WEST_ENDS_H - AFTER_H)
    seen = evening(tmp_path, trouble, hours=0.4, changed=changed)
    assert seen.tracked_past_h(WEST_ENDS_H) <= TOLERANCE_H
    assert seen.violations == []


@pytest.mark.parametrize("alert", [pytest.param(True, marks=pytest.mark.long), False])
def test_a_mount_that_cannot_park_does_not_track_on(tmp_path: Path, alert: bool) -> None:
    """The night ends, parking fails until somebody comes, and the sky goes on turning."""

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 60.0)
        scene.faults.park_sticks(alert=alert)

    changed = at_hour_angle(-0.25)
    seen = evening(tmp_path, trouble, hours=0.3, changed=changed)
    assert seen.tracked_past_h(WEST_ENDS_H) <= TOLERANCE_H
    assert seen.moved_over_unparked_s == 0.0
    assert seen.left_as == "parked and closed"


def frames_between(seen: Any, from_s: float, to_s: float) -> int:
    return sum(from_s <= frame.start_utc.timestamp() < to_s for frame in seen.story.frames)


@pytest.mark.long
def test_a_night_goes_on_after_the_mount_restarts_in_a_dither_pulse(tmp_path: Path) -> None:
    at_s: list[float] = []

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 120.0)
        await scene.pulsing(800.0)
        at_s.append(scene.now_s)
        scene.faults.reborn(MOUNT)

    seen = evening(tmp_path, trouble, hours=0.7)
    assert frames_between(seen, at_s[0], at_s[0] + 1200.0) > 0
    assert seen.left_as == "parked and closed"
    assert seen.violations == []


@pytest.mark.parametrize(
    ("phase", "device"),
    [
        pytest.param("acquiring", MOUNT, marks=pytest.mark.long),
        ("crossing", GUIDE_CAMERA),
        pytest.param("crossing", MOUNT, marks=pytest.mark.long),
    ],
)
def test_a_restart_while_the_guide_loop_is_not_awaited_is_noticed(
    tmp_path: Path, phase: str, device: str
) -> None:
    """The stars are waited for to come to rest, and the driver is gone for half a minute."""
    at_s: list[float] = []

    async def trouble(scene: Scene) -> None:
        await scene.phase(phase)
        await scene.event(lambda event: isinstance(event, e.StarsHeld))
        await scene.pulsing(400.0 if phase == "crossing" else 0.0)  # a dither, or any correction
        at_s.append(scene.now_s)
        scene.faults.dead(device)
        await asyncio.sleep(30.0)
        scene.faults.revive(device)

    hour_angle_h = WEST_ENDS_H - 0.15 if phase == "crossing" else -1.0
    seen = evening(tmp_path, trouble, hours=0.55, changed=at_hour_angle(hour_angle_h))
    assert frames_between(seen, at_s[0], at_s[0] + 1500.0) > 0
    assert seen.tracked_past_h(WEST_ENDS_H) <= TOLERANCE_H
    assert seen.left_as == "parked and closed"
    assert seen.violations == []


def test_an_exposure_whose_frame_never_comes_costs_minutes(tmp_path: Path) -> None:
    at_s: list[float] = []

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 120.0)
        at_s.append(scene.now_s)
        scene.faults.never_ends()

    seen = evening(tmp_path, trouble, hours=0.35)
    assert frames_between(seen, at_s[0] + SUB_S, at_s[0] + 900.0) > 0
    assert seen.violations == []


def test_a_camera_found_exposing_is_nobody_s(tmp_path: Path) -> None:
    """An exposure left over from somebody else does not become a sub, and holds nothing up."""

    async def trouble(scene: Scene) -> None:
        scene.faults.camera_exposing(3500.0)

    seen = evening(tmp_path, trouble, hours=0.3)
    assert len(seen.story.frames) == seen.subs_exposed > 0
    assert max(frame.exposure_s for frame in seen.story.frames) == SUB_S
    assert seen.violations == []


@pytest.mark.parametrize(
    ("weak", "air_c"),
    [pytest.param(True, 3.0, marks=pytest.mark.long), (False, -20.0)],
    ids=["weak cooler", "cold air"],
)
def test_a_missed_set_point_does_not_leave_the_roof_open_for_nothing(
    tmp_path: Path, weak: bool, air_c: float
) -> None:
    """Too warm, or colder outside than asked: subs at what is reached, or a closed roof."""

    async def trouble(scene: Scene) -> None:
        if weak:
            scene.faults.cooler_weak(5.0)

    changed = short_subs(
        weather={"mean_temperature_c": air_c, "dew_point_c": air_c - 15.0},
    )
    seen = evening(tmp_path, trouble, hours=0.5, changed=changed)
    dark = darkness(changed[0], NIGHT, 0.5)
    idle_s = seen.open_s(dark.start_unix_s, dark.end_unix_s)
    assert seen.story.frames or idle_s <= 600.0
    assert seen.left_as == "parked and closed"
    assert seen.violations == []


def test_a_target_that_comes_to_its_limit_while_it_is_acquired_goes_on_from_the_other_side(
    tmp_path: Path,
) -> None:
    """At once when the mount goes there, a minute after the limit."""
    sides = {"hour_angle_pier_west_h": (-6.0, 0.003), "flip_after_h": 0.02}
    seen = evening(tmp_path, nothing, hours=0.3, changed=at_hour_angle(0.06, sides))
    refused_s = seen.story.at(e.GuardRefused)[0]
    assert seen.story.at(e.SubBegun)[0] < refused_s + 240.0
    assert seen.violations == []
