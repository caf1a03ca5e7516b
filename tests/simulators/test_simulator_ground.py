"""What all simulated devices share, and the driver around them."""

import asyncio
import xml.etree.ElementTree as ET
from collections.abc import Mapping

import pytest

from nightloom_drivers.link import Kind, Value
from nightloom_drivers.simulators.indi_driver import SimulatorDriver
from nightloom_drivers.simulators.rig import DEVICES
from nightloom_drivers.simulators.simulator import Property, Simulator
from nightloom_drivers.virtual_loop import run_virtual
from simulators.on_loopback import bench


class Broken(Simulator):
    """A simulator whose answer fails, at once or later."""

    def __init__(self, later: bool) -> None:
        super().__init__("Broken")
        self._later = later
        self.add(Property("LEVEL", Kind.NUMBER, {"VALUE": 0.0}, early=True))

    def on_level(self, _: Mapping[str, Value]) -> None:
        if not self._later:
            raise ZeroDivisionError
        self.begin(self._fail())

    async def _fail(self) -> None:
        await asyncio.sleep(0.01)
        raise ZeroDivisionError


class OneRequest:
    """A server that says one thing to its driver, and listens."""

    def __init__(self, driver: SimulatorDriver, text: str) -> None:
        self._driver, self._text = driver, text
        self.said: list[ET.Element] = []

    async def run_rx(self) -> None:
        await asyncio.sleep(0.01)
        await self._driver._readdata(ET.fromstring(self._text))

    async def run_tx(self, message: ET.Element) -> None:
        self.said.append(message)

    def shutdown(self) -> None:
        pass


@pytest.mark.parametrize("later", [False, True])
def test_a_simulator_that_fails_takes_its_driver_down_with_an_error(later: bool) -> None:
    async def serve() -> None:
        driver = SimulatorDriver([Broken(later)])
        request = (
            "<newNumberVector device='Broken' name='LEVEL'>"
            "<oneNumber name='VALUE'>1</oneNumber></newNumberVector>"
        )
        driver._commsobj = OneRequest(driver, request)
        async with asyncio.timeout(5):
            await driver.asyncrun()

    with pytest.raises(ExceptionGroup) as failed:
        asyncio.run(serve())
    assert failed.group_contains(ZeroDivisionError)


def test_every_device_is_there_and_defines_the_same_again_to_a_new_client() -> None:
    async def night() -> None:
        async with bench(*DEVICES) as rig:
            assert rig.link.devices() == sorted(DEVICES)
            before = {d: {v.name for v in rig.link.vectors(d)} for d in DEVICES}
            rig.link.disconnect()
            rig.link.reconnect()
            await asyncio.sleep(0.1)
            assert {d: {v.name for v in rig.link.vectors(d)} for d in DEVICES} == before

    run_virtual(night())


def test_a_shorter_polling_period_reports_more_often() -> None:
    async def night() -> None:
        async with bench("Rig Focuser") as rig:
            await rig.ask("Rig Focuser", "POLLING_PERIOD", {"PERIOD_MS": 100.0})
            with rig.story("Rig Focuser", "ABS_FOCUS_POSITION") as told:
                place = {"FOCUS_ABSOLUTE_POSITION": 10_500.0}  # 2 s away.
                await rig.ask("Rig Focuser", "ABS_FOCUS_POSITION", place)
            assert len(told) == 21

    run_virtual(night())


def test_a_device_that_is_switched_off_hears_nothing() -> None:
    async def night() -> None:
        async with bench("Rig Wheel") as rig:
            off = {"CONNECT": False, "DISCONNECT": True}
            await rig.ask("Rig Wheel", "CONNECTION", off, end="Idle")
            names = [vector.name for vector in rig.link.vectors("Rig Wheel")]
            assert names == ["CONNECTION", "DRIVER_INFO", "POLLING_PERIOD"]
            rig.link._responders["Rig Wheel"].receive("FILTER_SLOT", {"FILTER_SLOT_VALUE": 3.0})
            assert not rig.world.wheel.is_moving(rig.clock.unix_s())

    run_virtual(night())
