"""The record that survives: frames, verdicts, curves, in one SQLite file."""

from nightloom.ledger.ledger import FILE_NAME, Ledger, LedgerError
from nightloom.ledger.records import Curve, Frame, Intent, Verdict
from nightloom.ledger.tally import FilterTally, TargetTally, tally

__all__ = [
    "FILE_NAME",
    "Curve",
    "FilterTally",
    "Frame",
    "Intent",
    "Ledger",
    "LedgerError",
    "TargetTally",
    "Verdict",
    "tally",
]
