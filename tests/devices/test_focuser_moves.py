"""The focuser: the position decides, whatever the state says."""

import asyncio
from collections.abc import Mapping

import pytest

from devices.misbehaving import CLOCK, Scripted, numbers, switches, tell
from nightloom_drivers.devices import Focuser, FocuserSettings
from nightloom_drivers.errors import DeviceContradicts, DeviceLate, DeviceRefused
from nightloom_drivers.link import Link, State, Value

POSITION, STEPS = "ABS_FOCUS_POSITION", "FOCUS_ABSOLUTE_POSITION"
Answers = list[tuple[float, State, float]]


def focuser_that(answers: Answers) -> Scripted:
    """A focuser at 5000 that answers with (delay, state, position), one after the other."""

    async def move(device: Scripted, _: Mapping[str, Value]) -> None:
        for delay_s, state, steps in answers:
            await asyncio.sleep(delay_s)
            device.publish(POSITION, state, **{STEPS: steps})

    return Scripted(
        numbers(POSITION, {STEPS: 5000.0}, (0, 10000)),
        switches("FOCUS_ABORT_MOTION", "ABORT", rule="AtMostOne"),
        switches("FOCUS_BACKLASH_TOGGLE", "INDI_ENABLED", "INDI_DISABLED", on="INDI_ENABLED"),
        numbers("FOCUS_TEMPERATURE", {"TEMPERATURE": -273.0}),
        ABS_FOCUS_POSITION=move,
    )


async def connected(link: Link) -> Focuser:
    focuser = Focuser(link, "Odd", FocuserSettings(minimum_steps=100), CLOCK)
    await focuser.connect()
    return focuser


@pytest.mark.parametrize(
    ("answers", "took_s"),
    [
        pytest.param([(0, State.BUSY, 5000), (4, State.OK, 5400)], 4.5, id="regular"),
        pytest.param([(4, State.OK, 5400)], 4.5, id="never Busy"),
        pytest.param([(0, State.OK, 5000), (4, State.OK, 5400)], 4.5, id="Ok before the value"),
        pytest.param([(0, State.OK, 5200), (4, State.OK, 5400)], 4.5, id="Ok while it moves"),
        pytest.param([(0, State.BUSY, 5000), (4, State.IDLE, 5400)], 4.5, id="ends Idle"),
        pytest.param([(0, State.BUSY, 5000), (4, State.BUSY, 5400)], 6, id="stays Busy"),
        pytest.param([(0, State.BUSY, 5000), (4, State.OK, 5401)], 4.5, id="a step beside"),
        pytest.param(
            [(1, State.BUSY, 5400), (1, State.BUSY, 5600), (2, State.OK, 5400)],
            4.5,
            id="passes through",
        ),
    ],
)
def test_it_is_there_when_it_reads_the_position_and_stays(answers: Answers, took_s: float) -> None:
    async def story(link: Link) -> None:
        focuser = await connected(link)
        begun_s = asyncio.get_running_loop().time()
        await focuser.move_to(5400)
        assert abs(focuser.position_steps - 5400) <= 1
        assert asyncio.get_running_loop().time() - begun_s == pytest.approx(took_s, abs=0.02)

    tell(focuser_that(answers), story)


@pytest.mark.parametrize(
    ("answers", "error"),
    [
        ([(1, State.ALERT, 5000)], DeviceRefused),
        ([(1, State.BUSY, 5000), (2, State.OK, 5390)], DeviceContradicts),
        ([(1, State.BUSY, 5000)], DeviceLate),
        ([], DeviceLate),
    ],
)
def test_it_says_how_it_failed(answers: Answers, error: type[Exception]) -> None:
    device = focuser_that(answers)

    async def story(link: Link) -> None:
        focuser = await connected(link)
        with pytest.raises(error):
            await focuser.move_to(5400)
        assert asyncio.get_running_loop().time() < 25
        await asyncio.sleep(1)
        halts = len(device.requests("FOCUS_ABORT_MOTION"))
        assert halts == (1 if error is DeviceLate else 0)

    tell(device, story)


def test_limits_are_the_drivers_cut_to_the_configured_ones() -> None:
    device = focuser_that([])

    async def story(link: Link) -> None:
        focuser = await connected(link)
        assert focuser.limits_steps == (100, 10000)
        for steps in (99, 10001):
            with pytest.raises(DeviceRefused, match="100 to 10000"):
                await focuser.move_to(steps)
        assert device.requests(POSITION) == []

    tell(device, story)


def test_without_a_probe_there_is_no_temperature_and_the_driver_takes_up_no_backlash() -> None:
    device = focuser_that([])

    async def story(link: Link) -> None:
        focuser = await connected(link)
        assert focuser.temperature_c is None
        assert focuser.need("FOCUS_BACKLASH_TOGGLE").on("INDI_DISABLED")
        device.publish("FOCUS_TEMPERATURE", State.OK, TEMPERATURE=0.0)
        await asyncio.sleep(1)
        assert focuser.temperature_c == 0.0

    tell(device, story)


def test_cancelling_a_move_halts_the_motor() -> None:
    device = focuser_that([(0, State.BUSY, 5000), (60, State.OK, 5400)])

    async def story(link: Link) -> None:
        focuser = await connected(link)
        moving = asyncio.create_task(focuser.move_to(5400))
        await asyncio.sleep(1)
        moving.cancel()
        with pytest.raises(asyncio.CancelledError):
            await moving
        await asyncio.sleep(1)
        assert len(device.requests("FOCUS_ABORT_MOTION")) == 1

    tell(device, story)
