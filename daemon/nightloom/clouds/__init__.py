"""Telling clouds from the stars that are missing."""

from nightloom.clouds.causes import Cause, SkyLook, cause_of
from nightloom.clouds.frames import (
    FramePolicy,
    FrameReference,
    SkyFacts,
    SkyVerdict,
    judge_frame,
    transparency_of,
)
from nightloom.clouds.integral import GuideLight
from nightloom.clouds.long_cloud import AfterCloud, Held, LongCloud, after_cloud
from nightloom.clouds.reference import LightReference
from nightloom.clouds.starlight import (
    LightRatio,
    StarLight,
    extinction_mag,
    light_ratio,
    transparency_at,
)
from nightloom.clouds.unsolved import Unsolved, UnsolvedFacts, why_unsolved
from nightloom.clouds.watch import (
    Action,
    CloudPolicy,
    CloudWatch,
    Decision,
    FrameReading,
    GuideReading,
    observe,
)
from nightloom.clouds.worth import SubSoFar, WorthPolicy, going_on_is_worth

__all__ = [
    "Action",
    "AfterCloud",
    "Cause",
    "CloudPolicy",
    "CloudWatch",
    "Decision",
    "FramePolicy",
    "FrameReading",
    "FrameReference",
    "GuideLight",
    "GuideReading",
    "Held",
    "LightRatio",
    "LightReference",
    "LongCloud",
    "SkyFacts",
    "SkyLook",
    "SkyVerdict",
    "StarLight",
    "SubSoFar",
    "Unsolved",
    "UnsolvedFacts",
    "WorthPolicy",
    "after_cloud",
    "cause_of",
    "extinction_mag",
    "going_on_is_worth",
    "judge_frame",
    "light_ratio",
    "observe",
    "transparency_at",
    "transparency_of",
    "why_unsolved",
]
