"""By day: nights that were missed, room for another one, and the ledger kept in order."""

from datetime import UTC, date, timedelta
from pathlib import Path

from apscheduler.triggers.cron import CronTrigger

from nightloom.frames.disk import FEW_FRAMES, USUAL_FRAME_BYTES
from nightloom.frames.writer import free_bytes
from nightloom.ledger import Ledger, LedgerError
from nightloom.schedule.windows import NoDarkness, darkness
from nightloom.settings import Settings
from nightloom.sky import night_of
from nightloom.telemetry import Log
from nightloom.telemetry.events import DiskFilling, LedgerCopied, NightsMissed, UpkeepFailed
from nightloom_drivers.clock import Clock

COPIES = "ledger-copies"
"""Folder beside the ledger."""

COPIES_KEPT = 7
"""A week of them: what damaged the ledger is found within one."""

LOOKED_BACK = 60
"""Nights; a rig that stood for longer was put away."""


def missed_nights(settings: Settings, ledger: Ledger, now_s: float) -> list[date]:
    """The nights since the last one in the ledger that got dark, and are over, without a daemon."""
    last, tonight = ledger.last_act("night"), night_of(now_s, settings.observatory.site.place)
    if last is None:
        return []
    first = max(
        date.fromisoformat(last.detail["night"]) + timedelta(days=1),
        tonight - timedelta(days=LOOKED_BACK),
    )
    nights = [first + timedelta(days=after) for after in range((tonight - first).days + 1)]
    return [night for night in nights if _ends_s(settings, night) < now_s]


def _ends_s(settings: Settings, night: date) -> float:
    try:
        return darkness(settings, night).end_unix_s
    except NoDarkness:
        return float("inf")


def tell_of_missed(settings: Settings, ledger: Ledger, log: Log, clock: Clock) -> None:
    """Say which nights no daemon ran in."""
    missed = missed_nights(settings, ledger, clock.unix_s())
    if missed:
        log.emit(NightsMissed(nights=[str(night) for night in missed]))


def midday(longitude_deg: float) -> CronTrigger:
    """Each day when the mean Sun is highest at a site, east positive."""
    minutes = round(60 * (12 - longitude_deg / 15)) % (24 * 60)
    return CronTrigger(hour=minutes // 60, minute=minutes % 60, timezone=UTC)


def keep_up(settings: Settings, ledger: Ledger, log: Log, clock: Clock) -> None:
    """Look for room on the disk, have the ledger checked, and copy it. What fails is told."""
    output = settings.observatory.output_folder
    try:
        room = free_bytes(output) // USUAL_FRAME_BYTES
        if room < FEW_FRAMES[0]:
            log.emit(DiskFilling(folder=str(output), frames_left=room))
        ledger.put_in_order()
        copy = output / COPIES / f"{clock.now():%Y-%m-%d}.sqlite"
        ledger.copy_to(copy)
        for old in copies(output)[:-COPIES_KEPT]:
            old.unlink()
        log.emit(LedgerCopied(path=str(copy), size_mb=copy.stat().st_size / 1e6))
    except (LedgerError, OSError) as error:
        log.emit(UpkeepFailed(reason=str(error)))


def copies(output: Path) -> list[Path]:
    """Copies of the ledger in an output folder, oldest first."""
    return sorted((output / COPIES).glob("*.sqlite"))
