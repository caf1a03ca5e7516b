"""Drivers that say what they did not see happen: parked, or closed."""

import asyncio
from pathlib import Path

import pytest

from nightloom_drivers.simulators.rig import MOUNT, ROOF
from safety.evenings import DARK_S, Scene, evening

RESTARTS_S = 120.0
"""A driver that was started again has to be connected before it can be told anything."""


def test_a_roof_that_says_closed_without_knowing_is_closed_in_rain(tmp_path: Path) -> None:
    """As INDI's dome simulator, which reads closed and Ok at connecting without knowing."""

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 45.0)
        scene.faults.reborn(ROOF, says_closed=True)
        await asyncio.sleep(30.0)
        scene.faults.rain(for_s=3.0 * 3600.0)

    seen = evening(tmp_path, trouble, hours=0.3)
    assert seen.late_s == 0.0
    assert seen.moved_over_unparked_s == 0.0
    assert seen.left_as == "parked and closed"
    assert seen.violations == []


def test_a_roof_that_says_closed_at_the_night_s_end_is_closed(tmp_path: Path) -> None:
    async def trouble(scene: Scene) -> None:
        await scene.phase("retiring")
        scene.faults.reborn(ROOF, says_closed=True)

    seen = evening(tmp_path, trouble, hours=0.3)
    assert seen.left_as == "parked and closed"
    assert seen.violations == []


@pytest.mark.parametrize("refuses_first", [False, True])
def test_a_mount_that_says_parked_while_it_tracks_is_parked_first(
    tmp_path: Path, refuses_first: bool
) -> None:
    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 45.0)
        scene.faults.says_parked(refuses_first=refuses_first)
        scene.faults.rain(for_s=3.0 * 3600.0)

    seen = evening(tmp_path, trouble, hours=0.3)
    assert seen.moved_over_unparked_s == 0.0
    assert seen.closed_after(seen.rained_s) <= seen.within_s + RESTARTS_S * refuses_first
    assert seen.left_as == "parked and closed"


@pytest.mark.parametrize("alert", [False, True])
def test_parking_that_fails_once_is_tried_again(tmp_path: Path, alert: bool) -> None:
    """Busy without an end has to be waited for as long as a park may take."""

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 45.0)
        scene.faults.park_sticks(1, alert=alert)
        scene.faults.rain(for_s=3.0 * 3600.0)

    seen = evening(tmp_path, trouble, hours=0.3)
    late_s = RESTARTS_S if alert else RESTARTS_S + 240.0
    assert seen.closed_after(seen.rained_s) <= seen.within_s + late_s
    assert seen.moved_over_unparked_s == 0.0
    assert seen.left_as == "parked and closed"


def test_a_roof_that_sticks_is_not_taken_for_closed(tmp_path: Path) -> None:
    """It hangs half-way in rain until somebody comes, and is closed then."""

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 45.0)
        scene.faults.roof_sticks(0.5)
        scene.faults.rain(for_s=3.0 * 3600.0)

    seen = evening(tmp_path, trouble, hours=0.3)
    assert seen.closed_after(seen.mended_s) <= 600.0
    assert seen.moved_over_unparked_s == 0.0
    assert seen.left_as == "parked and closed"


def test_a_mount_that_cannot_park_is_never_closed_over(tmp_path: Path) -> None:
    """By the usual setting; a person comes and mends it, and then it parks and closes."""

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 45.0)
        scene.faults.dead(MOUNT)
        scene.faults.rain(for_s=3.0 * 3600.0)

    seen = evening(tmp_path, trouble, hours=0.3)
    assert seen.moved_over_unparked_s == 0.0
    assert seen.closed_after(seen.mended_s) <= 600.0
    assert seen.left_as == "parked and closed"
