"""The ledger while another process holds it: nothing stands still, and nothing is lost."""

import asyncio
from collections.abc import Coroutine
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import pytest

from ledger.holding import held
from nightloom.ledger import (
    FILE_NAME,
    Duration,
    Ledger,
    LedgerBusy,
    Part,
    Stage,
    Sub,
    patiently,
)
from nightloom.safety import Acts
from nightloom.telemetry import Event, Log
from nightloom.telemetry.events import ActUnrecorded, LedgerHeld
from nightloom_drivers.clock import WallClock, real_monotonic_s

DUSK = datetime(2026, 11, 14, 18, 0, tzinfo=UTC)
DURATION = Duration(Part.DOWNLOAD, 2.5, DUSK)
SUB = Sub("f1", "2026-11-14", "M81", "L", 120.0, 1, DUSK)

A_BLINK_S = 0.5
"""Ten times what a write may wait for: the machine has other things to do."""

T = TypeVar("T")


async def beside_a_ticking_loop(work: Coroutine[object, object, T]) -> tuple[T, float]:
    """What the work came to, and the longest time that the loop stood still meanwhile."""
    longest_s = 0.0

    async def tick() -> None:
        nonlocal longest_s
        while True:
            before_s = real_monotonic_s()
            await asyncio.sleep(0.01)
            longest_s = max(longest_s, real_monotonic_s() - before_s)

    ticking = asyncio.create_task(tick())
    result = await work
    await asyncio.sleep(0.02)
    ticking.cancel()
    return result, longest_s


def test_what_is_only_kept_is_owed_and_entered_in_its_order(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    with Ledger(path) as ledger, Ledger.read(path) as reader:
        intent = ledger.begin("night", {}, DUSK)
        with held(path) as holder:
            began_s = real_monotonic_s()
            ledger.add_duration(DURATION)
            ledger.add_duration(replace(DURATION, took_s=3.5))
            ledger.finish(intent, "done", DUSK)
            assert real_monotonic_s() - began_s < A_BLINK_S
            assert reader.durations(9) == []
            holder.let_go()
        ledger.begin_sub(SUB)
        assert [one.took_s for one in reader.durations(9)] == [2.5, 3.5]
        assert reader.unfinished() == []
        assert reader.in_flight() == [SUB]


def test_what_is_owed_is_entered_when_the_ledger_is_closed(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME
    with Ledger(path) as ledger, held(path) as holder:
        ledger.add_duration(DURATION)
        holder.let_go()
    with Ledger.read(path) as reader:
        assert reader.durations(9) == [DURATION]


def test_a_sub_is_written_down_once_the_ledger_is_let_go_and_the_loop_goes_on(
    tmp_path: Path,
) -> None:
    path, heard = tmp_path / FILE_NAME, list[Event]()

    async def story(ledger: Ledger, log: Log) -> None:
        with held(path) as holder:
            with pytest.raises(LedgerBusy, match="asked to enter subs"):
                ledger.begin_sub(SUB)
            with pytest.raises(LedgerBusy):
                await patiently(lambda: ledger.begin_sub(SUB), log, for_s=0.6)
            asyncio.get_running_loop().call_later(1.2, holder.let_go)
            began_s = real_monotonic_s()
            await patiently(lambda: ledger.begin_sub(SUB), log)
            assert 1.0 < real_monotonic_s() - began_s < 5.0
        await patiently(lambda: ledger.follow_sub(replace(SUB, stage=Stage.CLOSED)), log)
        assert [sub.stage for sub in ledger.in_flight()] == [Stage.CLOSED]

    log = Log(WallClock())
    with Ledger(path) as ledger, log.listen(lambda _, event: heard.append(event)):
        _, longest_s = asyncio.run(beside_a_ticking_loop(story(ledger, log)))
    assert longest_s < A_BLINK_S
    assert [type(event) for event in heard] == [LedgerHeld, LedgerHeld]


def test_the_way_to_safety_never_waits_for_it(tmp_path: Path) -> None:
    path, heard = tmp_path / FILE_NAME, list[Event]()

    async def story(acts: Acts) -> None:
        async with acts.of("mount", "slew"):
            pass
        with held(path) as holder:
            began_s = real_monotonic_s()
            async with acts.of("mount", "park"):
                pass
            assert real_monotonic_s() - began_s < 1.0
            assert not acts.may_be_free("mount")
            asyncio.get_running_loop().call_later(0.3, holder.let_go)
            async with acts.of("mount", "unpark"):
                assert holder._process.returncode == 0, "leaving safety is written down first"

    log = Log(WallClock())
    with Ledger(path) as ledger, log.listen(lambda _, event: heard.append(event)):
        _, longest_s = asyncio.run(beside_a_ticking_loop(story(Acts(ledger, WallClock(), log))))
        assert Acts(ledger, WallClock()).may_be_free("mount")
        assert ledger.unfinished() == []
    assert longest_s < A_BLINK_S
    assert [type(event) for event in heard] == [ActUnrecorded, LedgerHeld]


def test_an_act_that_was_begun_before_is_finished_afterwards(tmp_path: Path) -> None:
    path = tmp_path / FILE_NAME

    async def story(acts: Acts) -> None:
        async with acts.of("roof", "close"):
            with_holder = held(path)
            with_holder.__enter__()
        with_holder.__exit__(None, None, None)

    with Ledger(path) as ledger:
        asyncio.run(story(Acts(ledger, WallClock())))
        ledger.settle()
        assert ledger.unfinished() == []
        assert not Acts(ledger, WallClock()).may_be_free("roof")
