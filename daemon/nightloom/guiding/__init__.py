"""Guiding as arithmetic: guide stars, calibration, corrections, settling, dithers."""

from nightloom.guiding.calibrating import (
    CalibrationPolicy,
    CalibrationRun,
    Done,
    ImplausibleRate,
    NotOrthogonal,
    Refused,
    StarsLost,
    TooShort,
)
from nightloom.guiding.calibration import Calibration
from nightloom.guiding.centroid import Measurement, measure
from nightloom.guiding.control import AxisPolicy, GuidePolicy, GuideState, correct
from nightloom.guiding.dither import CameraPair, next_dither
from nightloom.guiding.pulses import Direction, Pulses
from nightloom.guiding.settle import SettlePolicy, SettleState, Settling, settled
from nightloom.guiding.stars import GuideStars, find_guide_stars
from nightloom.guiding.statistics import GuideStatistics

__all__ = [
    "AxisPolicy",
    "Calibration",
    "CalibrationPolicy",
    "CalibrationRun",
    "CameraPair",
    "Direction",
    "Done",
    "GuidePolicy",
    "GuideStars",
    "GuideState",
    "GuideStatistics",
    "ImplausibleRate",
    "Measurement",
    "NotOrthogonal",
    "Pulses",
    "Refused",
    "SettlePolicy",
    "SettleState",
    "Settling",
    "StarsLost",
    "TooShort",
    "correct",
    "find_guide_stars",
    "measure",
    "next_dither",
    "settled",
]
