"""The loopback, and what every link does for those who wait."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightloom_drivers.link import (
    Defined,
    Event,
    Kind,
    LoopbackLink,
    Removed,
    Said,
    State,
    Updated,
    Vector,
)
from nightloom_drivers.simulators.simulator import Property, Simulator
from nightloom_drivers.virtual_loop import run_virtual


def test_a_property_appears_after_connecting_and_echoes() -> None:
    async def night() -> None:
        simulator = Simulator("Lamp")
        simulator.add(Property("LEVEL", Kind.NUMBER, {"VALUE": 0.0}, {"VALUE": (0.0, 10.0)}))
        async with LoopbackLink([simulator]) as link:
            assert link.get("Lamp", "LEVEL") is None
            link.set("Lamp", "CONNECTION", {"CONNECT": True, "DISCONNECT": False})
            await link.wait("Lamp", "LEVEL", lambda _: True, timeout_s=5)
            sent = link.set("Lamp", "LEVEL", {"VALUE": 3.0})
            level = await link.wait(
                "Lamp", "LEVEL", lambda v: v.state is State.OK, after=sent, timeout_s=5
            )
            assert level["VALUE"] == 3.0

    run_virtual(night())


def test_a_condition_that_fails_is_raised_where_it_was_given() -> None:
    """And nowhere else: the others hear all the same."""

    async def body() -> None:
        async with LoopbackLink([Simulator("Lamp")]) as link:

            def faulty(vector: Vector) -> bool:
                return vector["NO_SUCH_ELEMENT"] == 1

            sent = link.set("Lamp", "POLLING_PERIOD", {"PERIOD_MS": 50.0})
            wrong = asyncio.create_task(
                link.wait("Lamp", "POLLING_PERIOD", faulty, after=sent, timeout_s=5)
            )
            answer = await link.wait(
                "Lamp", "POLLING_PERIOD", lambda _: True, after=sent, timeout_s=5
            )
            assert answer["PERIOD_MS"] == 50.0
            with pytest.raises(KeyError):
                await wrong

    run_virtual(body())


@given(st.lists(st.integers(0, 3), min_size=1, max_size=40))
def test_the_loopback_keeps_the_order_of_what_happens_at_one_moment(bursts: list[int]) -> None:
    """Timers that are due together fire in no particular order; messages must."""

    async def body() -> list[float]:
        counter = Simulator("Counter")
        counter.add(Property("COUNT", Kind.NUMBER, {"N": -1.0}, early=True))
        heard: list[float] = []

        def hear(event: Event) -> None:
            if isinstance(event, Updated):
                heard.append(event.vector.number("N"))

        async with LoopbackLink([counter]) as link:
            with link.listen(hear):
                number = 0
                for burst in bursts:
                    for _ in range(burst):
                        link.set("Counter", "COUNT", {"N": float(number)})
                        number += 1
                    await asyncio.sleep(0.0007)
                await asyncio.sleep(1)
        return heard

    assert run_virtual(body()) == [float(n) for n in range(sum(bursts))]


def test_a_replaced_device_is_born_again_and_the_old_one_is_not_heard() -> None:
    async def body() -> None:
        old, new = Simulator("Lamp"), Simulator("Lamp")
        async with LoopbackLink([old]) as link:
            heard: list[Event] = []
            with link.listen(heard.append):
                old.say("my last words")
                link.replace(new)
                old.say("from beyond")
                new.say("here I am")
                await asyncio.sleep(1)
        assert [type(event) for event in heard] == [Removed, Defined, Defined, Defined, Said]
        assert heard[-1] == Said("Lamp", "[INFO] here I am")

    run_virtual(body())
