"""When a driver that has started anew is switched on."""

import asyncio

import pytest

from nightloom_drivers.errors import DeviceRefused
from nightloom_drivers.link import (
    Defined,
    Event,
    Kind,
    LoopbackLink,
    Lost,
    Removed,
    Said,
    State,
    Value,
    Vector,
)
from nightloom_drivers.link.reconnecting import QUIET_S, Reconnecting
from nightloom_drivers.simulators.simulator import Simulator
from nightloom_drivers.virtual_loop import run_virtual


def vector(name: str, **elements: Value) -> Vector:
    return Vector("Camera", name, Kind.SWITCH, State.OK, elements)


ON = vector("CONNECTION", CONNECT=True, DISCONNECT=False)
OFF = vector("CONNECTION", CONNECT=False, DISCONNECT=True)
PORT = vector("PORT", USB=True)


class Heard:
    """What hears of a camera that is to be on, and how often it has switched it on."""

    def __init__(self) -> None:
        self.times = 0
        self.reconnecting = Reconnecting(self._switch_on)
        self.reconnecting.keep("Camera")

    def _switch_on(self, connection: Vector) -> None:
        assert connection.device == "Camera"
        self.times += 1

    def hear(self, *events: Event) -> None:
        for event in events:
            self.reconnecting.hear(event)


def test_a_device_is_switched_on_when_its_driver_has_defined_all() -> None:
    """Drivers define CONNECTION first, and need their port before it is switched on."""

    async def body() -> None:
        heard = Heard()
        heard.hear(Defined(OFF))
        await asyncio.sleep(0.9 * QUIET_S)
        heard.hear(Defined(PORT))
        await asyncio.sleep(0.9 * QUIET_S)
        assert heard.times == 0
        await asyncio.sleep(0.2 * QUIET_S)
        assert heard.times == 1
        await asyncio.sleep(100 * QUIET_S)
        assert heard.times == 1

    run_virtual(body())


def test_each_life_of_a_driver_is_switched_on() -> None:
    async def body() -> None:
        heard = Heard()
        for times in (1, 2, 3):
            heard.hear(Defined(OFF))
            await asyncio.sleep(2 * QUIET_S)
            assert heard.times == times
            heard.hear(Defined(ON), Removed("Camera"))

    run_virtual(body())


@pytest.mark.parametrize("end", [Lost("the server died"), Removed("Camera")], ids=["lost", "gone"])
def test_a_device_that_is_on_or_has_gone_is_not_switched_on(end: Event) -> None:
    async def body() -> None:
        heard = Heard()
        heard.hear(Defined(ON))
        await asyncio.sleep(2 * QUIET_S)
        heard.hear(Defined(OFF), end)
        await asyncio.sleep(2 * QUIET_S)
        heard.hear(Defined(OFF))
        heard.reconnecting.let_go("Camera")
        await asyncio.sleep(2 * QUIET_S)
        heard.hear(Defined(OFF))
        await asyncio.sleep(2 * QUIET_S)
        assert heard.times == 0

    run_virtual(body())


def test_a_device_that_cannot_be_switched_on_is_told_of() -> None:
    async def body() -> None:
        lamp = Simulator("Lamp")
        lamp.properties["CONNECTION"].writable = False
        link = LoopbackLink([lamp])
        said: list[Event] = []
        link.keep_on("Lamp")
        with link.listen(lambda event: said.append(event) if isinstance(event, Said) else None):
            async with link:
                await asyncio.sleep(2 * QUIET_S)
                with pytest.raises(DeviceRefused):
                    link.keep_on("Lamp")
        (only,) = said
        assert isinstance(only, Said)
        assert "read-only" in only.text

    run_virtual(body())
