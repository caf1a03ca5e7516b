"""Which sub comes next: shares, the order of a cycle, and where it dithers."""

from nightloom.cycle.bound import lower_bound_s
from nightloom.cycle.changes import FocuserTravel, WheelTravel, change_times_s
from nightloom.cycle.even import Next, cycles_done, next_sub, unevenness
from nightloom.cycle.gaps import GapCosts, Pair, order_cost_s
from nightloom.cycle.plain import PlainOrder, plain_orders
from nightloom.cycle.shares import Cycle, Share
from nightloom.cycle.weave import EXACT_UP_TO_SUBS, Weave, weave

__all__ = [
    "EXACT_UP_TO_SUBS",
    "Cycle",
    "FocuserTravel",
    "GapCosts",
    "Next",
    "Pair",
    "PlainOrder",
    "Share",
    "Weave",
    "WheelTravel",
    "change_times_s",
    "cycles_done",
    "lower_bound_s",
    "next_sub",
    "order_cost_s",
    "plain_orders",
    "unevenness",
    "weave",
]
