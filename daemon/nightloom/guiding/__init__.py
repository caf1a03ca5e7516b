"""Guiding as arithmetic: guide stars, calibration, corrections, settling, dithers."""

from nightloom.guiding.backlash import Backlash
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
from nightloom.guiding.centroid import Measurement, measure, nothing_held
from nightloom.guiding.control import Control, GuidePolicy
from nightloom.guiding.dither import is_free, next_dither
from nightloom.guiding.forecast import Forecast
from nightloom.guiding.hot_pixels import HotPixels
from nightloom.guiding.periodic_error import PeriodicError, axis_ahead_s
from nightloom.guiding.pulses import Direction, Pulses
from nightloom.guiding.recovery import recovered_shift
from nightloom.guiding.response import Response
from nightloom.guiding.rest import INSIDE, RestPolicy, SettleState, settled
from nightloom.guiding.star_set import is_doubtful, sharpened, too_few, with_hold_point_of
from nightloom.guiding.stars import GuideStars, find_guide_stars
from nightloom.guiding.statistics import GuideStatistics

__all__ = [
    "INSIDE",
    "Backlash",
    "Calibration",
    "CalibrationPolicy",
    "CalibrationRun",
    "Control",
    "Direction",
    "Done",
    "Forecast",
    "GuidePolicy",
    "GuideStars",
    "GuideStatistics",
    "HotPixels",
    "ImplausibleRate",
    "Measurement",
    "NotOrthogonal",
    "PeriodicError",
    "Pulses",
    "Refused",
    "Response",
    "RestPolicy",
    "SettleState",
    "StarsLost",
    "TooShort",
    "axis_ahead_s",
    "find_guide_stars",
    "is_doubtful",
    "is_free",
    "measure",
    "next_dither",
    "nothing_held",
    "recovered_shift",
    "settled",
    "sharpened",
    "too_few",
    "with_hold_point_of",
]
