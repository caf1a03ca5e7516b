"""Connecting, and the pattern of a command, with drivers that answer oddly."""

import asyncio
from collections.abc import Mapping

import pytest

from devices.misbehaving import CLOCK, Scripted, numbers, switches, tell
from nightloom_drivers.devices import Device, FilterWheel, FilterWheelSettings, LightPanel
from nightloom_drivers.devices.light_panel import LightPanelSettings
from nightloom_drivers.errors import (
    DeviceContradicts,
    DeviceGone,
    DeviceIncapable,
    DeviceLate,
    DeviceRefused,
)
from nightloom_drivers.link import Defined, Link, Removed, State, Value

SLOT = "FILTER_SLOT_VALUE"


def wheel_on(link: Link) -> FilterWheel:
    return FilterWheel(link, "Odd", FilterWheelSettings(move_deadline_s=20.0), CLOCK)


def test_a_device_that_is_not_there_is_gone_and_the_error_names_those_that_are() -> None:
    async def story(link: Link) -> None:
        with pytest.raises(DeviceGone, match="the link knows Odd"):
            await FilterWheel(link, "Wheel", FilterWheelSettings(), CLOCK).connect()

    tell(Scripted(), story)


def test_a_needed_vector_may_come_long_after_the_connection() -> None:
    device = Scripted()

    async def later(device: Scripted, _: Mapping[str, Value]) -> None:
        device.publish("CONNECTION", State.OK, CONNECT=True, DISCONNECT=False)
        await asyncio.sleep(12)
        device.add(numbers("FILTER_SLOT", {SLOT: 4.0}, (1, 8)))
        device._outbox(Defined(device.properties["FILTER_SLOT"].snapshot("Odd")))

    device.answers["CONNECTION"] = later

    async def story(link: Link) -> None:
        wheel = wheel_on(link)
        await wheel.connect()
        assert wheel.slot == 4
        assert wheel.slots == 8

    tell(device, story)


def test_a_needed_vector_that_never_comes_is_not_in_the_device() -> None:
    async def story(link: Link) -> None:
        with pytest.raises(DeviceIncapable, match="FILTER_SLOT"):
            await wheel_on(link).connect(deadline_s=15)

    tell(Scripted(), story)


def test_a_needed_vector_that_was_there_once_is_late() -> None:
    device = Scripted(numbers("FILTER_SLOT", {"FILTER_SLOT_VALUE": 1.0}))

    async def story(link: Link) -> None:
        wheel = wheel_on(link)
        await wheel.connect()
        device._tell(Removed("Odd", "FILTER_SLOT"))
        await asyncio.sleep(1)
        with pytest.raises(DeviceGone, match="it is not defined"):
            wheel.need("FILTER_SLOT")
        with pytest.raises(DeviceLate, match="FILTER_SLOT"):
            await wheel.connect(deadline_s=15)

    tell(device, story)


def test_a_connection_in_alert_is_a_refusal() -> None:
    async def fail(device: Scripted, _: Mapping[str, Value]) -> None:
        device.publish("CONNECTION", State.BUSY, CONNECT=True, DISCONNECT=False)
        await asyncio.sleep(3)
        device.publish("CONNECTION", State.ALERT, CONNECT=False, DISCONNECT=True)

    async def story(link: Link) -> None:
        with pytest.raises(DeviceRefused, match="CONNECTION"):
            await Device(link, "Odd", CLOCK).connect()

    tell(Scripted(CONNECTION=fail), story)


def test_connecting_is_asked_again_of_a_driver_that_was_born_again() -> None:
    device = Scripted(numbers("FILTER_SLOT", {SLOT: 1.0}, (1, 8)))

    async def story(link: Link) -> None:
        wheel = wheel_on(link)
        await wheel.connect()
        reborn = device.properties["CONNECTION"]
        reborn.elements.update(CONNECT=False, DISCONNECT=True)
        device._outbox(Defined(reborn.snapshot("Odd")))
        await asyncio.sleep(5)
        assert device.connected

    tell(device, story)


def wheel_that(answers: list[tuple[float, State, float]]) -> Scripted:
    """A wheel of 8 slots at slot 1 that answers with (delay, state, slot), one after the other."""

    async def answer(device: Scripted, _: Mapping[str, Value]) -> None:
        for delay_s, state, slot in answers:
            await asyncio.sleep(delay_s)
            device.publish("FILTER_SLOT", state, **{SLOT: slot})

    return Scripted(numbers("FILTER_SLOT", {SLOT: 1.0}, (1, 8)), FILTER_SLOT=answer)


@pytest.mark.parametrize(
    ("answers", "ends_at_s"),
    [
        pytest.param([(1, State.BUSY, 1), (3, State.OK, 3)], 4, id="regular"),
        pytest.param([(1, State.OK, 1), (3, State.OK, 3)], 4, id="Ok before the value"),
        pytest.param([(0, State.BUSY, 3), (5, State.OK, 3)], 5, id="value before the end"),
        pytest.param([(0, State.OK, 3)], 0, id="at once"),
        pytest.param([(15, State.OK, 3)], 15, id="no sign of life before the end"),
        pytest.param([(2, State.IDLE, 3)], 2, id="ends Idle"),
    ],
)
def test_a_wheel_is_there_when_it_reads_the_slot_and_rests(
    answers: list[tuple[float, State, float]], ends_at_s: float
) -> None:
    async def story(link: Link) -> None:
        wheel = wheel_on(link)
        await wheel.connect()
        begun_s = asyncio.get_running_loop().time()
        await wheel.select(3)
        assert wheel.slot == 3
        took_s = asyncio.get_running_loop().time() - begun_s
        assert took_s == pytest.approx(ends_at_s, abs=0.01)

    tell(wheel_that(answers), story)


@pytest.mark.parametrize(
    ("answers", "error", "seen"),
    [
        pytest.param(
            [(1, State.ALERT, 1)], DeviceRefused, r"FILTER_SLOT_VALUE=1 \(Alert\)", id="no"
        ),
        pytest.param([(1, State.BUSY, 1), (2, State.OK, 2)], DeviceContradicts, "=2", id="other"),
        pytest.param([(1, State.OK, 1)], DeviceContradicts, "=1", id="Ok and did nothing"),
        pytest.param([(1, State.BUSY, 1)], DeviceLate, "Busy", id="never ends"),
        pytest.param([], DeviceLate, "after 20 s", id="silent"),
    ],
)
def test_a_wheel_that_does_not_get_there_is_told_apart(
    answers: list[tuple[float, State, float]], error: type[Exception], seen: str
) -> None:
    async def story(link: Link) -> None:
        wheel = wheel_on(link)
        await wheel.connect()
        with pytest.raises(error, match=seen):
            await wheel.select(3)

    tell(wheel_that(answers), story)


def test_a_slot_that_does_not_exist_is_refused_without_asking() -> None:
    device = wheel_that([])

    async def story(link: Link) -> None:
        wheel = wheel_on(link)
        await wheel.connect()
        for slot in (0, 9):
            with pytest.raises(DeviceRefused, match="1 to 8"):
                await wheel.select(slot)
        assert device.requests("FILTER_SLOT") == []

    tell(device, story)


def test_an_alert_from_before_the_command_is_not_its_answer() -> None:
    device = wheel_that([(1, State.OK, 3)])
    device.properties["FILTER_SLOT"].state = State.ALERT

    async def story(link: Link) -> None:
        wheel = wheel_on(link)
        await wheel.connect()
        assert wheel.slot is None
        await wheel.select(3)
        assert wheel.slot == 3

    tell(device, story)


def test_a_device_lost_in_the_middle_of_a_command_is_gone() -> None:
    async def story(link: Link) -> None:
        wheel = wheel_on(link)
        await wheel.connect()
        moving = asyncio.create_task(wheel.select(3))
        await asyncio.sleep(1)
        device.on_connection({"CONNECT": False})
        with pytest.raises(DeviceGone, match="it was removed"):
            await moving

    device = wheel_that([(0, State.BUSY, 1), (60, State.OK, 3)])
    tell(device, story)


def test_a_panel_that_keeps_its_old_level_is_found_out() -> None:
    async def old(device: Scripted, _: Mapping[str, Value]) -> None:
        device.publish("FLAT_LIGHT_INTENSITY", State.OK, FLAT_LIGHT_INTENSITY_VALUE=100.0)

    device = Scripted(
        switches("FLAT_LIGHT_CONTROL", "FLAT_LIGHT_ON", "FLAT_LIGHT_OFF", on="FLAT_LIGHT_OFF"),
        numbers("FLAT_LIGHT_INTENSITY", {"FLAT_LIGHT_INTENSITY_VALUE": 100.0}, (0, 255)),
        FLAT_LIGHT_INTENSITY=old,
    )

    async def story(link: Link) -> None:
        panel = LightPanel(link, "Odd", LightPanelSettings(), CLOCK)
        await panel.connect()
        with pytest.raises(DeviceContradicts, match="=100"):
            await panel.on(30)
        with pytest.raises(DeviceRefused, match="0 to 255"):
            await panel.on(300)
        await panel.on(100)
        assert panel.is_on
        await panel.off()
        assert not panel.is_on

    tell(device, story)
