"""What the daemon is doing at a moment: one read model, for the command, a page, and figures."""

from nightloom.status.account import Account
from nightloom.status.model import (
    Exposing,
    FilterStatus,
    FocusStatus,
    FrameStatus,
    GuidingStatus,
    NextStep,
    PlannedTarget,
    ProblemStatus,
    SafetyStatus,
    Status,
    TargetStatus,
)

__all__ = [
    "Account",
    "Exposing",
    "FilterStatus",
    "FocusStatus",
    "FrameStatus",
    "GuidingStatus",
    "NextStep",
    "PlannedTarget",
    "ProblemStatus",
    "SafetyStatus",
    "Status",
    "TargetStatus",
]
