"""The record that survives: frames, verdicts, curves, in one SQLite file."""

from nightloom.ledger.calibration_frame import CalibrationFrame
from nightloom.ledger.ledger import Ledger
from nightloom.ledger.patience import in_time
from nightloom.ledger.records import (
    Check,
    Curve,
    Duration,
    FocuserBacklash,
    Frame,
    GuideCalibration,
    GuideHotPixels,
    Intent,
    Part,
    Place,
    PointingMiss,
    Stage,
    Sub,
    Verdict,
    number_of,
    uid_of,
)
from nightloom.ledger.running import ENOUGH, Key, Running, running, running_figures
from nightloom.ledger.store import FILE_NAME, LedgerBusy, LedgerError
from nightloom.ledger.tally import FilterTally, TargetTally, tally, tally_s, whole_tally_s

__all__ = [
    "ENOUGH",
    "FILE_NAME",
    "CalibrationFrame",
    "Check",
    "Curve",
    "Duration",
    "FilterTally",
    "FocuserBacklash",
    "Frame",
    "GuideCalibration",
    "GuideHotPixels",
    "Intent",
    "Key",
    "Ledger",
    "LedgerBusy",
    "LedgerError",
    "Part",
    "Place",
    "PointingMiss",
    "Running",
    "Stage",
    "Sub",
    "TargetTally",
    "Verdict",
    "in_time",
    "number_of",
    "running",
    "running_figures",
    "tally",
    "tally_s",
    "uid_of",
    "whole_tally_s",
]
