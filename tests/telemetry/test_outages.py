"""What the log tells of a link that is lost for a while."""

import asyncio
import itertools

import pytest

from nightloom.telemetry import Event, Log
from nightloom.telemetry.events import LinkAway, LinkBack, LinkLost
from nightloom.telemetry.outages import outages_told
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link import LoopbackLink
from nightloom_drivers.virtual_loop import run_virtual


def told_of(*outages_s: float, apart_s: float = 600.0) -> list[Event]:
    """What is told of outages so long."""
    heard = list[Event]()

    async def body() -> None:
        log = Log(LoopClock(0.0))
        link = LoopbackLink([])
        async with link:
            with log.listen(lambda _, event: heard.append(event)):
                async with outages_told(link, log):
                    for outage_s in outages_s:
                        link.disconnect("the server died")
                        await asyncio.sleep(outage_s)
                        link.reconnect()
                        await asyncio.sleep(apart_s)

    run_virtual(body())
    return heard


def test_a_short_outage_is_two_lines() -> None:
    lost, back = told_of(2.0)
    assert lost == LinkLost(reason="the server died")
    assert isinstance(back, LinkBack)
    assert back.after_s == pytest.approx(2.0)


def test_one_of_two_minutes_is_told_of_meanwhile() -> None:
    lost, *away, back = told_of(120.0)
    assert isinstance(lost, LinkLost)
    assert [type(event) for event in away] == [LinkAway, LinkAway]
    assert isinstance(back, LinkBack)


def test_a_long_one_is_told_of_less_and_less_often_but_each_hour() -> None:
    away = [event.for_s for event in told_of(6 * 3600.0) if isinstance(event, LinkAway)]
    pauses = [later - sooner for sooner, later in itertools.pairwise(away)]
    assert pauses == pytest.approx([60.0 * 2**n for n in range(6)] + [3600.0] * 4)


def test_each_outage_is_told_of_afresh() -> None:
    kinds = [type(event) for event in told_of(40.0, 1.0, 40.0)]
    assert kinds == [LinkLost, LinkAway, LinkBack, LinkLost, LinkBack, LinkLost, LinkAway, LinkBack]
