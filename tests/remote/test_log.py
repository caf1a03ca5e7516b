"""The log over HTTP: history, then what comes, through cuts and restarts, each line once."""

import asyncio
import json
from collections.abc import AsyncIterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nightloom.remote import streams as streams_module
from nightloom.telemetry import events as e
from nightloom.telemetry.nights import log_file
from remote.halls import NIGHT, PROMPT_S, Hall, head, inside, request

Item = tuple[str, str, dict[str, Any]]
"""An event of the stream: its id, its name, its data."""


async def items(
    hall: Hall, query: str = "", last_id: str | None = None, limit: int = 2**16
) -> AsyncIterator[Item]:
    """What a stream brings, by the rules of its standard; comments are left out."""
    reader, writer = await asyncio.open_connection("127.0.0.1", hall.port, limit=limit)
    try:
        had = {} if last_id is None else {"Last-Event-ID": last_id}
        writer.write(request(f"/log{query}", hall.port, had))
        code, headers = await head(reader)
        assert (code, headers["content-type"]) == (200, "text/event-stream; charset=utf-8")
        said: dict[str, str] = {}
        while size := int(await reader.readline() or b"0", 16):
            for line in (await reader.readexactly(size)).decode().split("\n"):
                if line == "" and "data" in said:
                    yield said["id"], said["event"], json.loads(said["data"])
                    said = {}
                elif line and not line.startswith(":"):
                    name, _, value = line.partition(": ")
                    said[name] = value
            await reader.readexactly(2)
    finally:
        writer.transport.abort()


async def some(hall: Hall, count: int, query: str = "", last_id: str | None = None) -> list[Item]:
    """The first items of a stream, which come promptly."""
    had: list[Item] = []
    async with asyncio.timeout(PROMPT_S):
        async for item in items(hall, query, last_id):
            had.append(item)
            if len(had) == count:
                break
    return had


async def every(hall: Hall, query: str) -> list[Item]:
    """All that there is."""
    async with asyncio.timeout(4 * PROMPT_S):
        return [item async for item in items(hall, f"?live=no&{query}")]


def parked(took_s: float) -> e.MountParked:
    return e.MountParked(took_s=took_s)


def seconds(had: list[Item]) -> list[float]:
    return [data["took_s"] for _, name, data in had if name == "mount_parked"]


def test_history_comes_first_and_then_what_happens_without_a_seam(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        for number in range(400):
            hall.log.emit(parked(number))
        had: list[Item] = []
        async with asyncio.timeout(10 * PROMPT_S):
            async for item in items(hall):
                had.append(item)
                if len(had) % 10 == 0 and len(had) < 800:
                    hall.log.emit(parked(400 + len(had) / 10))
                if had[-1][2].get("took_s") == 440.0:
                    break
        lines = log_file(tmp_path, NIGHT).read_text().splitlines()
        assert [data for _, _, data in had] == [json.loads(line) for line in lines[: len(had)]]
        assert had[0][1] == "remote_listening"
        ids = [identity for identity, _, _ in had]
        assert len(set(ids)) == len(ids)

    inside(tmp_path, story)


def test_a_stream_that_is_cut_at_any_place_goes_on_without_a_loss(tmp_path: Path) -> None:
    chance = np.random.default_rng(3)

    async def story(hall: Hall) -> None:
        had: list[Item] = []
        for number in range(100):
            hall.log.emit(parked(number))
        while len(had) < 101:
            cut = int(chance.integers(1, 30))
            last = had[-1][0] if had else None
            had += await some(hall, min(cut, 101 - len(had)), "", last)
        assert seconds(had) == list(range(100))

    inside(tmp_path, story)


def test_ids_last_over_a_restart_a_torn_line_and_the_next_night(tmp_path: Path) -> None:
    had: list[Item] = []

    async def before(hall: Hall) -> None:
        hall.log.emit(parked(1))
        had.extend(await every(hall, "event=mount_parked"))
        hall.log.emit(parked(2))

    async def after(hall: Hall) -> None:
        hall.log.emit(parked(3))
        hall.log.write_to(log_file(tmp_path, NIGHT + timedelta(days=2)))
        hall.log.emit(parked(4))
        assert seconds(await every(hall, f"from={had[0][0]}")) == [2, 3, 4]
        assert seconds(await every(hall, "from=night")) == [4]
        assert seconds(await every(hall, f"from={NIGHT}")) == [1, 2, 3, 4]
        missing = await hall.asks(f"/log?from={date(2026, 1, 1)}")
        assert missing.code == 404

    inside(tmp_path, before)
    with log_file(tmp_path, NIGHT).open("a") as file:
        file.write('{"utc": "2026-11-10T20:00:00.000Z", "event": "mount_parked", "le')
    inside(tmp_path, after)


def test_a_stream_follows_the_log_into_the_next_night(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        following = asyncio.create_task(some(hall, 2, "?event=mount_parked&from=now"))
        await asyncio.sleep(0.1)
        hall.log.emit(parked(1))
        hall.log.write_to(log_file(tmp_path, NIGHT + timedelta(days=1)))
        hall.log.emit(parked(2))
        assert seconds(await following) == [1, 2]

    inside(tmp_path, story)


def test_a_place_that_is_no_line_s_end_begins_with_the_next_line(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        hall.log.emit(parked(1))
        hall.log.emit(parked(2))
        (first, _) = await every(hall, "event=mount_parked")
        night, _, offset = first[0].partition(".")
        assert seconds(await every(hall, f"from={night}.{int(offset) + 3}")) == []
        assert seconds(await every(hall, f"from={night}.{int(offset) - 3}")) == [2]
        assert seconds(await every(hall, f"from={night}.{10**9}")) == [1, 2], "the file was cut"
        for bad in (
            "x",
            f"{night}.",
            f"{night}.-1",
            f"{night}.²",
            "2026-13-01",
            f"{night}.{10**20}",
        ):
            assert (
                await hall.asks(f"/log?from={bad.encode().hex() if bad == 'x' else bad}")
            ).code == 400

    inside(tmp_path, story)


def test_filters_by_level_event_and_target(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        hall.log.emit(e.TargetChosen(target="M 33", reason="up"))
        hall.log.emit(e.TargetChosen(target="Crescent & Co", reason="up"))
        hall.log.emit(parked(1))
        hall.log.emit(e.PersonNeeded(reason="the roof"))
        hall.log.emit(e.DoorShut(reason="no"))

        async def names(query: str) -> list[str]:
            return [data.get("target", name) for _, name, data in await every(hall, query)]

        assert await names("level=warning") == ["person_needed", "door_shut"]
        assert await names("level=error") == ["person_needed"]
        assert await names("event=mount_parked&event=door_shut") == ["mount_parked", "door_shut"]
        assert await names("target=Crescent%20%26%20Co") == ["Crescent & Co"]
        assert await names("target=M%2033&target=no&event=target_chosen") == ["M 33"]
        for query in ("level=loud", "events=x", "live=perhaps", "from=now&from=night", "level="):
            answer = await hall.asks(f"/log?{query}")
            assert answer.code == 400, query
            assert answer.json()["why"].endswith(".")

    inside(tmp_path, story)


def test_who_follows_in_silence_hears_that_the_daemon_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams_module, "QUIET_S", 0.05)

    async def story(hall: Hall) -> None:
        reader, writer = await hall.speaks()
        writer.write(request("/log?from=now", hall.port))
        async with asyncio.timeout(PROMPT_S):
            await reader.readuntil(b": still here\n\n")
        writer.transport.abort()

    inside(tmp_path, story)


def test_before_the_first_log_a_stream_waits_for_it(tmp_path: Path) -> None:
    async def story(hall: Hall) -> None:
        hall.log.close()
        log_file(tmp_path, NIGHT).unlink()
        waiting = asyncio.create_task(some(hall, 1))
        await asyncio.sleep(0.1)
        hall.log.write_to(log_file(tmp_path, NIGHT))
        hall.log.emit(parked(1))
        assert seconds(await waiting) == [1]

    inside(tmp_path, story)
