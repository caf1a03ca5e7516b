"""Telling clouds from the stars that are missing."""

from nightloom.clouds.frames import (
    FrameFacts,
    FramePolicy,
    FrameReference,
    Verdict,
    judge_frame,
    transparency_of,
)
from nightloom.clouds.watch import (
    Action,
    CloudPolicy,
    CloudWatch,
    Decision,
    FrameReading,
    GuideReading,
    observe,
)

__all__ = [
    "Action",
    "CloudPolicy",
    "CloudWatch",
    "Decision",
    "FrameFacts",
    "FramePolicy",
    "FrameReading",
    "FrameReference",
    "GuideReading",
    "Verdict",
    "judge_frame",
    "observe",
    "transparency_of",
]
