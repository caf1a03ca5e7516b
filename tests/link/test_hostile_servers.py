"""Servers that flood: memory stays bounded, one clear error says why, and the link comes back."""

import asyncio
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from link.test_indi_scripted import (
    BENCH,
    LEVEL,
    anything,
    bytes_of,
    frame,
    heard,
    joined,
    one_exchange,
    run,
    set_level,
    the_next,
)
from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.link import Found, IndiLink, Lost, indi
from nightloom_drivers.link.channel import RECORD_BYTES_MAX
from scripted_server import ScriptedServer

FEW = 200
NAMES = ("../../outside", "/etc/passwd", ".", "<i>x</i>", "x" * 63)


async def costs_a_reconnection(
    server: ScriptedServer, link: IndiLink, flood: str, why: str
) -> None:
    """What a server says is answered by one error, and by another try."""
    with heard(link) as events:
        server.say(flood)
        lost = await the_next(Lost, events)
        assert isinstance(lost, Lost)
        assert why in lost.reason
        await the_next(Found, events)
    await link.wait("Bench", "CCD1", anything, timeout_s=10)
    assert link.devices() == ["Bench"]
    await one_exchange(server, link)


def test_a_server_that_defines_properties_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(indi, "VECTORS_MAX", FEW)
    storm = "".join(LEVEL.replace("LEVEL", f"LEVEL{number}") for number in range(FEW))

    async def body(server: ScriptedServer, link: IndiLink) -> None:
        why = f"defines more than {FEW} properties"
        await costs_a_reconnection(server, link, storm, why)

    run(body)


def test_a_property_larger_than_any() -> None:
    endless = f'<oneText name="LINE">{"x" * RECORD_BYTES_MAX}</oneText>'
    vector = f'<setTextVector device="Bench" name="NOTE" state="Ok">{endless}</setTextVector>'

    async def body(server: ScriptedServer, link: IndiLink) -> None:
        await costs_a_reconnection(server, link, vector, "sent a record of 16 MB")

    run(body)


def test_a_device_may_be_called_what_it_likes() -> None:
    """It is a name and no more: it is heard and asked for, and no file comes of it."""
    places = [Path.cwd(), *Path.cwd().parents[:2]]
    before = [set(place.iterdir()) for place in places]

    async def body(server: ScriptedServer, link: IndiLink) -> None:
        for name in NAMES:
            server.say(LEVEL.replace("Bench", name.replace("<", "&lt;")))
            await link.wait(name, "LEVEL", anything, timeout_s=10)
            link.keep_blobs(name)
            link.set(name, "LEVEL", {"HEIGHT": 2.0})
        await server.until(lambda: len(server.of("newNumberVector")) == len(NAMES))
        assert [one.get("device") for one in server.of("newNumberVector")] == list(NAMES)

    run(body)
    assert [set(place.iterdir()) for place in places] == before


FLOOD_S = 20.0
CHILD_MB_MAX, PARENT_MB_MAX = 1500.0, 150.0


def resident_mb(pid: int | None) -> float:
    try:
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * 4096 / 2**20
    except (FileNotFoundError, ProcessLookupError, IndexError):
        return 0.0  # between two children


def properties(number: int) -> str:
    return "".join(LEVEL.replace("LEVEL", f"L{number}_{part}") for part in range(500))


@pytest.mark.long
@pytest.mark.parametrize(
    ("begin", "more"),
    [
        (frame(b"S" * 2880)[:1000], lambda _: "A" * 1_000_000),
        ('<message device="Bench" message="', lambda _: "A" * 1_000_000),
        ("", lambda _: '<message device="Bench" message="hello"/>' * 1000),
        ("", lambda _: set_level('<oneNumber name="HEIGHT">3</oneNumber>') * 1000),
        ("", properties),
        ("", lambda _: frame(bytes_of(2_880_000))),
    ],
    ids=["a frame", "a message", "messages", "values", "properties", "frames"],
)
def test_memory_is_bounded_whatever_comes_without_end(
    begin: str, more: Callable[[int], str]
) -> None:
    async def body() -> None:
        async with joined(BENCH) as (server, link):
            link.keep_blobs("Bench")
            await server.until(lambda: bool(server.of("enableBLOB")))
            server.say(begin)
            first_mb, end_s, number = resident_mb(os.getpid()), real_monotonic_s() + FLOOD_S, 0
            while real_monotonic_s() < end_s:
                number += 1
                server.say(more(number))
                try:
                    await server.taken()
                except ConnectionError:
                    await asyncio.sleep(0.5)
                await asyncio.sleep(0)
                assert resident_mb(link.child_pid) < CHILD_MB_MAX
                assert resident_mb(os.getpid()) - first_mb < PARENT_MB_MAX

    asyncio.run(body())
