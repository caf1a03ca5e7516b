"""By day: missed nights are told, room is looked for, the ledger is checked and copied."""

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from night.nights import NIGHT, demo
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.settings import Settings
from nightloom.telemetry import Event, Log
from nightloom.telemetry.events import DiskFilling, LedgerCopied, UpkeepFailed
from nightloom.upkeep import COPIES_KEPT, copies, keep_up, midday, missed_nights
from nightloom_drivers.clock import WallClock

EVENING = datetime(NIGHT.year, NIGHT.month, NIGHT.day, 22, tzinfo=UTC)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / FILE_NAME) as ledger:
        yield ledger


def settings_in(folder: Path) -> Settings:
    settings, _ = demo()
    observatory = settings.observatory.model_copy(update={"output_folder": folder})
    return replace(settings, observatory=observatory)


def kept_up(settings: Settings, ledger: Ledger) -> list[Event]:
    log, heard = Log(WallClock()), list[Event]()
    with log.listen(lambda _, event: heard.append(event)):
        keep_up(settings, ledger, log, WallClock())
    return heard


def missed(ledger: Ledger, after: timedelta) -> list[date]:
    settings, _ = demo()
    return missed_nights(settings, ledger, (EVENING + after).timestamp())


def test_nights_that_went_by_without_a_daemon_are_known(ledger: Ledger) -> None:
    """Not one that is under way, nor one that was begun however it ended; at most two months."""
    assert missed(ledger, timedelta(days=3)) == [], "nobody has waited for a night yet"
    ledger.begin("night", {"night": str(NIGHT)}, EVENING)
    assert missed(ledger, timedelta()) == []
    assert missed(ledger, timedelta(hours=14)) == []
    assert missed(ledger, timedelta(days=1)) == []
    assert missed(ledger, timedelta(days=1, hours=14)) == [NIGHT + timedelta(days=1)]
    assert missed(ledger, timedelta(days=3)) == [NIGHT + timedelta(days=n) for n in (1, 2)]
    assert len(missed(ledger, timedelta(days=200))) == 60


@pytest.mark.parametrize(("longitude_deg", "hour"), [(9.6, 11), (-110.0, 19), (179.0, 0)])
def test_midday_is_that_of_the_site(longitude_deg: float, hour: int) -> None:
    """Within half an hour of twelve by the Sun: four minutes a degree."""
    due = midday(longitude_deg).get_next_fire_time(None, datetime(2026, 6, 1, 20, tzinfo=UTC))
    assert due is not None
    assert due.hour == hour


def test_the_ledger_is_copied_whole_and_a_week_of_copies_stays(
    tmp_path: Path, ledger: Ledger
) -> None:
    settings = settings_in(tmp_path)
    ledger.begin("night", {"night": str(NIGHT)}, EVENING)
    folder = tmp_path / "ledger-copies"
    folder.mkdir()
    for day in range(1, 12):
        (folder / f"2020-01-{day:02d}.sqlite").write_bytes(b"")
    (copied,) = [one for one in kept_up(settings, ledger) if isinstance(one, LedgerCopied)]
    assert len(copies(tmp_path)) == COPIES_KEPT
    assert copies(tmp_path)[-1] == Path(copied.path)
    Path(copied.path).rename(tmp_path / "restored.sqlite")
    with Ledger.read(tmp_path / "restored.sqlite") as restored:
        last = restored.last_act("night")
    assert last is not None
    assert last.detail == {"night": str(NIGHT)}


def test_a_damaged_ledger_is_told_and_not_copied(tmp_path: Path) -> None:
    """One page of an index overwritten, as a failing card would."""
    file = tmp_path / FILE_NAME
    with Ledger(file) as ledger:
        for number in range(2000):
            ledger.begin("night", {"night": f"{number}"}, EVENING)
    with sqlite3.connect(file) as raw:
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    raw.close()
    content = bytearray(file.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 4096] = bytes(4096)
    file.write_bytes(content)
    with Ledger(file) as ledger:
        told = kept_up(settings_in(tmp_path), ledger)
    assert [type(one) for one in told] == [UpkeepFailed]
    assert copies(tmp_path) == []


def test_a_disk_that_fills_is_told_by_day(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("nightloom.upkeep.free_bytes", lambda _: 10 * 52 * 10**6)
    (filling,) = [
        one for one in kept_up(settings_in(tmp_path), ledger) if isinstance(one, DiskFilling)
    ]
    assert filling.frames_left == 10
