"""Another process holds the ledger for a while: nothing is lost, and nothing waits for long."""

import asyncio
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from night.nights import demo, live
from night.troubles import DUSK_S
from nightloom.ledger import FILE_NAME, Ledger, LedgerBusy
from nightloom.rig import SimulatedRig
from nightloom.telemetry import events as e
from nightloom_drivers.clock import Clock

HELD_S = 45.0


@contextmanager
def held(file: Path) -> Iterator[None]:
    """Hold a ledger as a backup or a person's own query does."""
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        yield
    finally:
        other.execute("ROLLBACK")
        other.close()


def test_it_is_said_within_a_second_that_another_process_holds_it(tmp_path: Path) -> None:
    with Ledger(tmp_path / FILE_NAME) as ledger, held(tmp_path / FILE_NAME):
        began_s = time.perf_counter()
        with pytest.raises(LedgerBusy, match="locked"):
            ledger.finish(1, "done", datetime(2026, 11, 10, tzinfo=UTC))
        assert time.perf_counter() - began_s < 1.0


@pytest.mark.parametrize(
    "at_s",
    [DUSK_S + 700.0, pytest.param(DUSK_S - 1600.0, marks=pytest.mark.long)],
    ids=["in subs", "opening"],
)
def test_a_night_goes_on_once_it_is_free(tmp_path: Path, at_s: float) -> None:
    """Its frames are all in the ledger, which the observer compares with what left the camera."""

    async def hold(rig: SimulatedRig, clock: Clock) -> None:
        await asyncio.sleep(at_s)
        with held(tmp_path / FILE_NAME):
            await asyncio.sleep(HELD_S)

    story = live(tmp_path, demo(targets=dict.fromkeys("RGB", 30.0)), hours=0.5, meddler=hold)
    assert story.played.violations == []
    assert not story.of(e.UnexpectedError)
    freed_s = story.rehearsal.starts_s + at_s + HELD_S
    assert next(at for at in story.at(e.SubBegun) if at > freed_s) < max(
        freed_s + 240.0, story.rehearsal.starts_s + DUSK_S + 400.0
    )


def test_the_rig_is_made_safe_while_it_is_held(tmp_path: Path) -> None:
    """Rain while the ledger is held: parked and closed in time, by the observer."""

    async def rain(rig: SimulatedRig, clock: Clock) -> None:
        await asyncio.sleep(DUSK_S + 700.0)
        with held(tmp_path / FILE_NAME):
            rig.world.weather.add_rain(clock.unix_s(), 900.0, 5.0)
            await asyncio.sleep(600.0)

    story = live(tmp_path, demo(targets=dict.fromkeys("RGB", 30.0)), hours=0.5, meddler=rain)
    assert story.played.violations == []
    assert story.of(e.RoofClosed)
