"""The common ground of simulated devices, over the loopback."""

from nightloom_drivers.link import Kind, LoopbackLink, State
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
