"""Telling clouds from the stars that are missing."""

from nightloom.clouds.frames import (
    FramePolicy,
    FrameReference,
    SkyFacts,
    SkyVerdict,
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
    "FramePolicy",
    "FrameReading",
    "FrameReference",
    "GuideReading",
    "SkyFacts",
    "SkyVerdict",
    "judge_frame",
    "observe",
    "transparency_of",
]
