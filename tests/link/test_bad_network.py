"""The link through a network that does all the harm that one can."""

import asyncio

import pytest

from bad_network import Badness, bad_network
from link.test_indi_scripted import BENCH, anything, set_level
from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.errors import DeviceError
from nightloom_drivers.link import IndiLink
from nightloom_drivers.link.indi import PAUSE_S
from scripted_server import ScriptedServer, scripted

BAD, CONNECTS_S = Badness(), 3.0
WORSE = Badness(split=0.2, swallowed=0.04, repeated=0.1, garbled=0.1)
"""For a short time."""


async def answer(server: ScriptedServer) -> None:
    """Echo each height that is asked for."""
    told = 0
    while True:
        await server.asked_more()
        for asked in server.of("newNumberVector")[told:]:
            told += 1
            height = next((one.text or "").strip() for one in asked if one.get("name") == "HEIGHT")
            server.say(set_level(f'<oneNumber name="HEIGHT">{height}</oneNumber>'))


async def exchange(link: IndiLink, number: int) -> bool:
    """Ask for a height, and whether it was seen."""
    height = float(number % 10)
    try:
        sent = link.set("Bench", "LEVEL", {"HEIGHT": height, "WIDTH": 0.0})
        await link.wait(
            "Bench", "LEVEL", lambda v: v["HEIGHT"] == height, after=sent, timeout_s=1.0
        )
    except DeviceError:
        return False
    return True


def live_through(
    badness: Badness, for_s: float, ping_s: float, silence_s: float, seed: int
) -> None:
    """Exchanges fail for what the network does and for nothing else; mended, all go through."""

    async def body() -> None:
        async with scripted(BENCH) as server, bad_network(server.port, badness, seed) as network:
            answering = asyncio.create_task(answer(server))
            link = IndiLink("127.0.0.1", network.port, ping_s=ping_s, silence_s=silence_s)
            async with link:
                done, number = await exchanges(link, for_s)
                assert done
                assert network.harm.total()
                network.mend()
                mended_s = real_monotonic_s()
                while not await exchange(link, number):  # noqa: ASYNC110  it asks, each time
                    await asyncio.sleep(0.05)
                back_s = real_monotonic_s() - mended_s
                assert back_s < 3 * silence_s + 2 * ping_s + PAUSE_S[1] + CONNECTS_S
                await link.wait("Bench", "CCD1", anything, timeout_s=10)
                assert all([await exchange(link, turn) for turn in range(50)])
            answering.cancel()
            did = ", ".join(f"{times} {what}" for what, times in network.harm.items())
            print(f"{done} of {number} exchanges, back after {back_s:.1f} s; {did}")  # noqa: T201
            await asyncio.sleep(0.1)  # the server sees the end

    asyncio.run(body())


async def exchanges(link: IndiLink, for_s: float) -> tuple[int, int]:
    """How many of how many went through in real seconds."""
    done, number, end_s = 0, 0, real_monotonic_s() + for_s
    while real_monotonic_s() < end_s:
        number += 1
        done += await exchange(link, number)
        await asyncio.sleep(0.05)
    return done, number


def test_a_bad_network_costs_what_it_costs_and_no_more() -> None:
    live_through(WORSE, 8.0, ping_s=0.1, silence_s=0.5, seed=4)


@pytest.mark.long
def test_nor_does_one_that_is_bad_for_an_hour() -> None:
    live_through(BAD, 3600.0, ping_s=10.0, silence_s=30.0, seed=5)
