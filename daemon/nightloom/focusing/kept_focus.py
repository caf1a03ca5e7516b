"""Where a night that was interrupted left the focus, read from the ledger.

Whoever starts again within a night goes on from its latest good look: where the focuser was left by
it, with what filter and at what temperature. What moved meanwhile shows in the stars, as it would
have without the restart. Another night begins as configured: rigs are taken apart by day.
"""

from dataclasses import dataclass
from datetime import datetime

from nightloom.ledger import Check, Curve, Ledger

LEFT_OPEN = "unclear"
"""Outcome of a check that says nothing; a curve follows it."""


@dataclass(frozen=True)
class KeptFocus:
    """The last good curve of a night, and where the latest look left the focuser.

    Steps are of the focuser with `filter`; `slope_px_per_step` is NaN where the ledger has none.
    """

    filter: str
    left_steps: float
    temperature_c: float | None
    looked_utc: datetime
    curve_utc: datetime
    radius_px: float
    slope_px_per_step: float


def kept_focus(ledger: Ledger, night: str) -> KeptFocus | None:
    """What is known of the focus of a night; None before its first good curve."""
    good = [one for one in ledger.curves(night=night) if one.accepted]
    if not good or good[-1].vertex_steps is None or good[-1].radius_px is None:
        return None
    curve = good[-1]
    assert curve.vertex_steps is not None
    assert curve.radius_px is not None
    look: Curve | Check = curve
    left_steps = curve.vertex_steps
    for check in ledger.checks(night=night):
        if check.taken_utc > look.taken_utc and check.outcome != LEFT_OPEN:
            positions = check.positions_steps
            look = check
            left_steps = (min(positions) + max(positions)) / 2.0 + check.correction_steps
    return KeptFocus(
        filter=look.filter,
        left_steps=left_steps,
        temperature_c=look.temperature_c,
        looked_utc=look.taken_utc,
        curve_utc=curve.taken_utc,
        radius_px=curve.radius_px,
        slope_px_per_step=curve.slope_px_per_step or float("nan"),
    )
