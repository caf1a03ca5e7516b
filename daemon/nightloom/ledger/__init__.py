"""The record that survives: frames, verdicts, curves, in one SQLite file."""

from nightloom.ledger.ledger import FILE_NAME, Ledger, LedgerError
from nightloom.ledger.records import (
    Check,
    Curve,
    Duration,
    Frame,
    GuideCalibration,
    GuideHotPixels,
    Intent,
    Part,
    Place,
    PointingMiss,
    Verdict,
)
from nightloom.ledger.running import ENOUGH, Key, Running, running, running_figures
from nightloom.ledger.tally import FilterTally, TargetTally, tally

__all__ = [
    "ENOUGH",
    "FILE_NAME",
    "Check",
    "Curve",
    "Duration",
    "FilterTally",
    "Frame",
    "GuideCalibration",
    "GuideHotPixels",
    "Intent",
    "Key",
    "Ledger",
    "LedgerError",
    "Part",
    "Place",
    "PointingMiss",
    "Running",
    "TargetTally",
    "Verdict",
    "running",
    "running_figures",
    "tally",
]
