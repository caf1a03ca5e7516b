"""The record that survives: frames, verdicts, curves, in one SQLite file."""

from nightloom.ledger.ledger import Ledger, LedgerError
from nightloom.ledger.records import Curve, Frame, Intent, Verdict

__all__ = ["Curve", "Frame", "Intent", "Ledger", "LedgerError", "Verdict"]
