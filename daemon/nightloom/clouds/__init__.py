"""Telling clouds from the stars that are missing."""

from nightloom.clouds.frames import (
    FramePolicy,
    FrameReference,
    SkyFacts,
    SkyVerdict,
    judge_frame,
    transparency_of,
)
from nightloom.clouds.integral import GuideLight
from nightloom.clouds.long_cloud import AfterCloud, LongCloud, after_cloud
from nightloom.clouds.reference import LightReference
from nightloom.clouds.starlight import (
    LightRatio,
    StarLight,
    extinction_mag,
    light_ratio,
    transparency_at,
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
from nightloom.clouds.worth import SubSoFar, WorthPolicy, going_on_is_worth

__all__ = [
    "Action",
    "AfterCloud",
    "CloudPolicy",
    "CloudWatch",
    "Decision",
    "FramePolicy",
    "FrameReading",
    "FrameReference",
    "GuideLight",
    "GuideReading",
    "LightRatio",
    "LightReference",
    "LongCloud",
    "SkyFacts",
    "SkyVerdict",
    "StarLight",
    "SubSoFar",
    "WorthPolicy",
    "after_cloud",
    "extinction_mag",
    "going_on_is_worth",
    "judge_frame",
    "light_ratio",
    "observe",
    "transparency_at",
    "transparency_of",
]
