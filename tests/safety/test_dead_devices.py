"""Rain with something dead: mount and roof alone are enough to park and to close."""

import asyncio
from pathlib import Path

import pytest

from nightloom_drivers.simulators.rig import (
    CAMERA,
    DUST_CAP,
    FOCUSER,
    GUIDE_CAMERA,
    LIGHT_PANEL,
    STATION,
    WHEEL,
)
from safety.evenings import DARK_S, Scene, Trouble, evening

ALL_BUT_MOUNT_AND_ROOF = (
    CAMERA,
    GUIDE_CAMERA,
    WHEEL,
    FOCUSER,
    LIGHT_PANEL,
    DUST_CAP,
    STATION,
)


def dead_in_rain(*devices: str) -> Trouble:
    """These die in the dark, and a minute later it rains until long after the night."""

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 45.0)
        for device in devices:
            scene.faults.dead(device)
        await asyncio.sleep(60.0)
        scene.faults.rain(for_s=3.0 * 3600.0)

    return trouble


@pytest.mark.parametrize(
    "devices",
    [(LIGHT_PANEL,), pytest.param((CAMERA,), marks=pytest.mark.long), ALL_BUT_MOUNT_AND_ROOF],
    ids=["light panel", "camera", "all but mount and roof"],
)
def test_a_device_that_has_no_part_in_it_does_not_keep_the_roof_open(
    tmp_path: Path, devices: tuple[str, ...]
) -> None:
    seen = evening(tmp_path, dead_in_rain(*devices), hours=0.3)
    if STATION in devices:  # unsafe from its death on, at the latest once it has been silent
        assert seen.closed_after(seen.rained_s - 60.0) <= 180.0 + seen.within_s
    else:
        assert seen.late_s == 0.0
    assert seen.moved_over_unparked_s == 0.0
    assert seen.left_as == "parked and closed"
    assert seen.violations == []


@pytest.mark.parametrize(
    "fault", ["sticks", pytest.param("refuses", marks=pytest.mark.long), "deaf"]
)
def test_a_dust_cap_that_fails_does_not_keep_the_roof_open(tmp_path: Path, fault: str) -> None:
    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 45.0)
        match fault:
            case "sticks":
                scene.faults.cap_sticks()
            case "refuses":
                scene.faults.refuses(DUST_CAP, "CAP_PARK")
            case _:
                scene.faults.deaf(DUST_CAP)
        scene.faults.rain(for_s=3.0 * 3600.0)

    seen = evening(tmp_path, trouble, hours=0.3)
    assert seen.late_s == 0.0
    assert seen.left_as == "parked and closed"
    assert seen.violations == []


def test_the_server_is_gone_in_rain_and_comes_back(tmp_path: Path) -> None:
    """Nothing can be told to anything meanwhile; from its return on it takes no longer."""
    back_s: list[float] = []

    async def trouble(scene: Scene) -> None:
        await asyncio.sleep(DARK_S + 45.0)
        scene.faults.rain(in_s=30.0, for_s=3.0 * 3600.0)
        await scene.faults.server_gone(120.0)
        back_s.append(scene.now_s)

    seen = evening(tmp_path, trouble, hours=0.3)
    assert seen.closed_after(back_s[0]) <= seen.within_s
    assert seen.moved_over_unparked_s == 0.0
    assert seen.left_as == "parked and closed"
    assert seen.violations == []
