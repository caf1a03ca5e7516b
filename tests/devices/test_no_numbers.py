"""A driver that reads no number where one belongs: what is not known is said to be so.

INDI writes numbers as printf does, so "nan" comes over the wire as one (INDI white paper 1.7).
"""

import asyncio
import math

import pytest

from devices.misbehaving import CLOCK, Scripted, numbers, switches, tell
from nightloom_drivers.devices import (
    FilterWheel,
    FilterWheelSettings,
    Focuser,
    FocuserSettings,
    Mount,
    MountSettings,
)
from nightloom_drivers.errors import DeviceContradicts
from nightloom_drivers.link import Link, State, Value

POSITION, STEPS = "ABS_FOCUS_POSITION", "FOCUS_ABSOLUTE_POSITION"


def test_a_focuser_without_a_number_is_nowhere_and_can_be_moved() -> None:
    async def moved(device: Scripted, _: object) -> None:
        await asyncio.sleep(20.0)
        device.publish(POSITION, State.OK, **{STEPS: math.nan})
        await asyncio.sleep(20.0)
        device.publish(POSITION, State.OK, **{STEPS: 5400.0})

    device = Scripted(numbers(POSITION, {STEPS: math.nan}, (0, 10000)), ABS_FOCUS_POSITION=moved)

    async def story(link: Link) -> None:
        focuser = Focuser(link, "Odd", FocuserSettings(), CLOCK)
        await focuser.connect()
        assert focuser.position_steps is None
        await focuser.move_to(5400)
        assert focuser.position_steps == 5400

    tell(device, story)


def test_limits_of_a_focuser_that_are_no_numbers_are_none() -> None:
    device = Scripted(numbers(POSITION, {STEPS: 5000.0}, (math.nan, math.nan)))

    async def story(link: Link) -> None:
        focuser = Focuser(link, "Odd", FocuserSettings(100, 9000), CLOCK)
        await focuser.connect()
        assert focuser.limits_steps == (100, 9000)

    tell(device, story)


def test_a_wheel_without_a_number_does_not_know_its_slot() -> None:
    device = Scripted(numbers("FILTER_SLOT", {"FILTER_SLOT_VALUE": math.nan}, (1, 5)))

    async def story(link: Link) -> None:
        wheel = FilterWheel(link, "Odd", FilterWheelSettings(), CLOCK)
        await wheel.connect()
        assert wheel.slot is None
        device.publish("FILTER_SLOT", State.OK, FILTER_SLOT_VALUE=3.0)
        await asyncio.sleep(0.1)
        assert wheel.slot == 3

    tell(device, story)


@pytest.mark.parametrize("element", ["RA", "DEC"])
def test_a_mount_without_a_number_says_that_it_has_no_place(element: str) -> None:
    place: dict[str, Value] = {"RA": 3.0, "DEC": 40.0, element: math.nan}
    device = Scripted(
        numbers("EQUATORIAL_EOD_COORD", place),
        switches("ON_COORD_SET", "TRACK", "SLEW", "SYNC", on="TRACK"),
    )

    async def story(link: Link) -> None:
        mount = Mount(link, "Odd", MountSettings(), CLOCK)
        await mount.connect()
        with pytest.raises(DeviceContradicts, match="nan"):
            _ = mount.position

    tell(device, story)
