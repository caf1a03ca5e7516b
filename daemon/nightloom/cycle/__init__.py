"""Which sub comes next: shares, the order of a cycle, and where it dithers."""

from nightloom.cycle.bound import lower_bound_s
from nightloom.cycle.changes import FocuserTravel, WheelTravel, change_times_s
from nightloom.cycle.even import (
    UNEVENNESS_MAX,
    Next,
    Taken,
    catch_up,
    cycles_done,
    next_sub,
    stays_even_without,
    unevenness,
    waiting,
)
from nightloom.cycle.gaps import CHANGE_S, DITHER_S, DOWNLOAD_S, GapCosts, Pair, order_cost_s
from nightloom.cycle.plain import PlainOrder, plain_orders
from nightloom.cycle.shares import Cycle, Share
from nightloom.cycle.weave import EXACT_UP_TO_SUBS, Weave, weave

__all__ = [
    "CHANGE_S",
    "DITHER_S",
    "DOWNLOAD_S",
    "EXACT_UP_TO_SUBS",
    "UNEVENNESS_MAX",
    "Cycle",
    "FocuserTravel",
    "GapCosts",
    "Next",
    "Pair",
    "PlainOrder",
    "Share",
    "Taken",
    "Weave",
    "WheelTravel",
    "catch_up",
    "change_times_s",
    "cycles_done",
    "lower_bound_s",
    "next_sub",
    "order_cost_s",
    "plain_orders",
    "stays_even_without",
    "unevenness",
    "waiting",
    "weave",
]
