"""Where best focus was found last, by the ledger: where a night begins, or goes on after a restart.

The position of the newest accepted curve, or of a clear check after it, is where the focuser
begins, moved by filter and temperature; the configured start is for a ledger without any.

A curve of the same night holds as long as the policies say: until it is `refocus_after_s` old. The
look that was newest counts as before the restart, so that a new target, the temperature or the
drift ask for a check when they would have. The subs taken since then are the reference: the first
new ones are held to their star sizes, and a focuser that does not stand where it did shows there.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from nightloom.focusing.seeing import SubSize
from nightloom.ledger import Check, Curve, Ledger, Verdict
from nightloom.settings.observatory import Observatory
from nightloom_drivers.frame_kind import FrameKind


@dataclass(frozen=True)
class KeptFocus:
    """The newest accepted curve, and the clear checks after it, in their order."""

    curve: Curve
    checks: tuple[Check, ...]

    @property
    def latest(self) -> Curve | Check:
        """The newest look."""
        return self.checks[-1] if self.checks else self.curve

    @property
    def steps(self) -> float:
        """Where the focuser belonged after it, with its filter at its temperature."""
        look = self.latest
        if isinstance(look, Check):
            middle = (min(look.positions_steps) + max(look.positions_steps)) / 2.0
            return middle + look.correction_steps
        assert look.vertex_steps is not None
        return look.vertex_steps


def kept_focus(ledger: Ledger, observatory: Observatory) -> KeptFocus | None:
    """What the ledger knows of focus; None without a good curve. Raises LedgerError."""
    curves = [
        curve
        for curve in ledger.curves()
        if curve.accepted and curve.vertex_steps is not None and curve.filter in observatory.filters
    ]
    if not curves:
        return None
    curve = max(curves, key=lambda one: one.taken_utc)
    checks = [
        check
        for check in ledger.checks()
        if check.outcome != "unclear"
        and check.taken_utc > curve.taken_utc
        and check.filter in observatory.filters
    ]
    return KeptFocus(curve, tuple(sorted(checks, key=lambda one: one.taken_utc)))


def holds(kept: KeptFocus, ledger: Ledger, night: str) -> bool:
    """Whether its curve is this night's, complete, and no later one was refused.

    Raises LedgerError.
    """
    curve = kept.curve
    later = [one for one in ledger.curves(night=night) if one.taken_utc > curve.taken_utc]
    complete = bool(curve.radius_px) and bool(curve.slope_px_per_step)
    return curve.night == night and complete and not later


def sizes_since(kept: KeptFocus, ledger: Ledger, night: str) -> Iterator[SubSize]:
    """Star sizes of the accepted lights since the newest look, in order. Raises LedgerError."""
    airmasses = ledger.airmasses(night)
    for frame in ledger.frames(night=night):
        if (
            frame.kind is FrameKind.LIGHT
            and frame.verdict is Verdict.ACCEPTED
            and frame.half_flux_radius_px
            and frame.start_utc > kept.latest.taken_utc
        ):
            yield SubSize(
                frame.start_utc.timestamp() + frame.exposure_s / 2.0,
                frame.filter,
                frame.half_flux_radius_px,
                airmasses.get(frame.uid, 1.0),
                pointing=frame.pointing,
            )
