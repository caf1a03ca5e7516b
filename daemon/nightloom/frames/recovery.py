"""After a crash: what is on disk of a sub that an earlier run left in flight."""

from dataclasses import replace
from pathlib import Path

from nightloom.frames.writer import FrameNotRead, frame_at, partial_of, remove_partial
from nightloom.ledger import Ledger, Stage, Sub
from nightloom.telemetry import Log
from nightloom.telemetry.events import FrameFound, FrameLost, PartialRemoved

ENDED = "the daemon had ended"


def recovered(sub: Sub, folder: Path | None, ledger: Ledger, log: Log) -> Path | None:
    """Where the whole frame of a sub is, to be judged as if nothing had happened.

    Without one the sub counts nowhere: its end is written down, what there is of its file is
    removed, and None returned. Raises LedgerError.
    """
    if folder is None or not sub.path:
        _gone(sub, ledger)
        return None
    path = folder / sub.path
    whole, removed = _whole(sub, path), _removed(sub, path, log)
    if whole:
        log.emit(FrameFound(uid=sub.uid, path=sub.path))
        return path
    if removed:
        log.emit(PartialRemoved(uid=sub.uid, path=sub.path))
    if sub.stage is Stage.STORED:
        log.emit(FrameLost(uid=sub.uid, reason=f"{path} was stored and is not there"))
    _gone(sub, ledger)
    return None


def _whole(sub: Sub, path: Path) -> bool:
    try:
        return frame_at(path) == sub.uid
    except FrameNotRead:
        return True  # it is said with the verdict


def _removed(sub: Sub, path: Path, log: Log) -> bool:
    """Whether something was begun of its file, and is no longer there."""
    try:
        return remove_partial(path)
    except OSError as refusal:
        log.emit(FrameLost(uid=sub.uid, reason=f"{partial_of(path)} stays: {refusal}"))
        return False


def _gone(sub: Sub, ledger: Ledger) -> None:
    ledger.follow_sub(replace(sub, stage=Stage.CANCELLED, path="", outcome=ENDED))
