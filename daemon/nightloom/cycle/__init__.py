"""Which sub comes next: shares, the order of a cycle, and where it dithers."""

from nightloom.cycle.even import Next, cycles_done, next_sub, unevenness
from nightloom.cycle.gaps import Gap, GapCosts, order_cost_s
from nightloom.cycle.plain import PlainOrder, plain_orders
from nightloom.cycle.shares import Cycle, Share
from nightloom.cycle.weave import Weave, lower_bound_s, weave

__all__ = [
    "Cycle",
    "Gap",
    "GapCosts",
    "Next",
    "PlainOrder",
    "Share",
    "Weave",
    "cycles_done",
    "lower_bound_s",
    "next_sub",
    "order_cost_s",
    "plain_orders",
    "unevenness",
    "weave",
]
