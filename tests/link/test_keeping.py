"""What is kept for a driver, and when it is sent."""

import asyncio
from collections.abc import Mapping

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
    Updated,
    Value,
    Vector,
)
from nightloom_drivers.link.keeping import QUIET_S, TIMES_MAX, Keeper
from nightloom_drivers.simulators.simulator import Simulator
from nightloom_drivers.virtual_loop import run_virtual

ON = {"CONNECT": True, "DISCONNECT": False}
OFF = {"CONNECT": False, "DISCONNECT": True}


def vector(name: str, **elements: Value) -> Vector:
    kind = Kind.SWITCH if True in elements.values() else Kind.NUMBER
    return Vector("Camera", name, kind, State.OK, elements)


class Sent(list[tuple[str, dict[str, Value]]]):
    """A keeper, and what it has sent."""

    def __init__(self, **kept: Mapping[str, Value]) -> None:
        super().__init__()
        self.keeper = Keeper(lambda v, values: self.append((v.name, dict(values))))
        for name, values in kept.items():
            self.keeper.keep("Camera", name, values)

    def hear(self, *events: Event) -> None:
        for event in events:
            self.keeper.hear(event)


def test_a_setting_is_sent_when_it_is_defined_though_it_reads_right() -> None:
    """A driver may show what it has read from its file and not have applied it."""
    sent = Sent(GAIN={"G": 5.0})
    sent.hear(Defined(vector("GAIN", G=5.0)))
    assert sent == [("GAIN", {"G": 5.0})]


def test_a_driver_that_defines_a_vector_whenever_it_is_set_is_not_answered_for_ever() -> None:
    sent = Sent(GAIN={"G": 5.0})
    for _ in range(100):
        sent.hear(Defined(vector("GAIN", G=5.0000001)))
    assert len(sent) == 1
    for _ in range(100):
        sent.hear(Defined(vector("GAIN", G=4.0)))
    assert len(sent) == TIMES_MAX


@pytest.mark.parametrize(
    "end",
    [
        Removed("Camera"),
        Removed("Camera", "CONNECTION"),
        Lost("the server died"),
        Updated(vector("CONNECTION", **OFF)),
    ],
    ids=["device removed", "connection removed", "link lost", "switched off"],
)
def test_each_life_of_a_device_begins_anew(end: Event) -> None:
    sent = Sent(GAIN={"G": 5.0})
    sent.hear(Defined(vector("GAIN", G=5.0)), end, Defined(vector("GAIN", G=5.0)))
    assert len(sent) == 2


def test_the_device_is_switched_on_after_its_early_settings() -> None:
    """Drivers define CONNECTION first, and need their port before it is switched on."""

    async def body() -> None:
        sent = Sent(CONNECTION=ON, PORT={"P": 2.0})
        sent.hear(Defined(vector("CONNECTION", **OFF)))
        await asyncio.sleep(0.9 * QUIET_S)
        sent.hear(Defined(vector("PORT", P=1.0)))
        await asyncio.sleep(0.9 * QUIET_S)
        assert sent == [("PORT", {"P": 2.0})]
        await asyncio.sleep(0.2 * QUIET_S)
        assert sent == [("PORT", {"P": 2.0}), ("CONNECTION", ON)]
        await asyncio.sleep(100 * QUIET_S)
        assert len(sent) == 2

    run_virtual(body())


def test_a_device_that_is_on_or_has_gone_is_not_switched_on() -> None:
    async def body() -> None:
        sent = Sent(CONNECTION=ON)
        sent.hear(Defined(vector("CONNECTION", **ON)))
        await asyncio.sleep(2 * QUIET_S)
        sent.hear(Defined(vector("CONNECTION", **OFF)), Lost("the server died"))
        await asyncio.sleep(2 * QUIET_S)
        sent.hear(Defined(vector("CONNECTION", **OFF)))
        sent.keeper.forget("Camera", "CONNECTION")
        await asyncio.sleep(2 * QUIET_S)
        assert sent == []

    run_virtual(body())


def test_what_cannot_be_kept_is_said_when_the_driver_shows_itself() -> None:
    async def body() -> None:
        lamp = Simulator("Lamp")
        link = LoopbackLink([lamp])
        said: list[Event] = []
        link.keep("Lamp", "POLLING_PERIOD", {"PERIOD_S": 1.0})
        with link.listen(lambda event: said.append(event) if isinstance(event, Said) else None):
            async with link:
                with pytest.raises(DeviceRefused):
                    link.keep("Lamp", "DRIVER_INFO", {"DRIVER_NAME": "mine"})
        (only,) = said
        assert isinstance(only, Said)
        assert "no element PERIOD_S" in only.text

    run_virtual(body())
