"""What may cut into a phase, and what it leaves behind."""

import asyncio

import pytest

from nightloom.night.interrupts import Clouded, Dawn, Operator, Unsafe, unless
from nightloom.safety import GuardRefusal, NotSafe
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.virtual_loop import run_virtual


async def raise_after(delay_s: float, error: Exception) -> None:
    await asyncio.sleep(delay_s)
    raise error


async def never() -> None:
    await asyncio.get_running_loop().create_future()


async def answer_after(delay_s: float) -> str:
    await asyncio.sleep(delay_s)
    return "done"


def test_work_that_ends_ends_its_watchers() -> None:
    assert run_virtual(unless([never()], answer_after(5))) == "done"


def test_a_watcher_that_returns_is_content() -> None:
    async def content() -> None:
        return

    assert run_virtual(unless([content()], answer_after(5))) == "done"


def test_an_interrupt_cancels_the_work_and_waits_for_its_cleaning_up() -> None:
    left: list[str] = []

    async def work() -> str:
        try:
            return await answer_after(100)
        finally:
            await asyncio.sleep(3)
            left.append("clean")

    with pytest.raises(Unsafe, match="rain"):
        run_virtual(unless([raise_after(5, Unsafe("rain"))], work()))
    assert left == ["clean"]


@pytest.mark.parametrize(
    ("weaker", "stronger"),
    [
        (Clouded("veil"), DeviceGone("Wheel", "FILTER_SLOT", asked="3", seen="nothing")),
        (DeviceGone("Wheel", "FILTER_SLOT", asked="3", seen="nothing"), Dawn("light")),
        (Dawn("light"), Operator("a person")),
        (Operator("a person"), Unsafe("rain")),
        (GuardRefusal("slewing", "the weather is unsafe"), Unsafe("rain")),
        (NotSafe("not parked"), Unsafe("rain")),
    ],
)
def test_of_two_at_once_the_stronger_is_heard(weaker: Exception, stronger: Exception) -> None:
    async def both() -> None:
        await unless([raise_after(5, weaker), raise_after(5, stronger)], never())

    with pytest.raises(type(stronger)):
        run_virtual(both())


def test_a_mistake_in_the_daemon_goes_before_everything() -> None:
    async def both() -> None:
        await unless([raise_after(5, Unsafe("rain")), raise_after(5, KeyError("x"))], never())

    with pytest.raises(KeyError):
        run_virtual(both())
