"""What is kept and told of focusing: every scan and check in the ledger, every look in the log."""

import math
from collections.abc import Sequence

from nightloom.focusing import Check, CheckOutcome, Curve, Point, Refusal, Tilt
from nightloom.focusing.backlash import Backlash
from nightloom.ledger import Check as CheckEntry
from nightloom.ledger import Curve as CurveEntry
from nightloom.ledger import FocuserBacklash, Ledger
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    BacklashFound,
    FocusChecked,
    FocusCurve,
    FocuserUnmoved,
    FocusFollowed,
    FocusGuessed,
    FocusUnconfirmed,
    OffsetCorrected,
)
from nightloom_drivers.clock import Clock, steady_s
from nightloom_drivers.devices import Focuser


class FocusRecords:
    """The records of one night's focusing. Methods raise LedgerError."""

    def __init__(
        self, focuser: Focuser, night: str, ledger: Ledger, clock: Clock, log: Log
    ) -> None:
        self._focuser, self._night, self._ledger = focuser, night, ledger
        self._clock, self._log = clock, log
        self._told_steps: float | None = None
        self._subs = 0

    def scan(self, filter_name: str, reason: str, points: Sequence[Point], curve: Curve) -> None:
        """Keep one scan, whatever came of it."""
        self._ledger.add_curve(
            CurveEntry(
                night=self._night,
                taken_utc=self._clock.now(),
                filter=filter_name,
                positions_steps=tuple(point.position_steps for point in points),
                radii_px=tuple(_known(point.radius_px) for point in points),
                accepted=curve.refusal is None,
                refusal="" if curve.refusal is None else curve.refusal.value,
                vertex_steps=curve.vertex_steps,
                error_steps=curve.vertex_error_steps,
                temperature_c=self._focuser.temperature_c,
                star_counts=tuple(int(point.stars) for point in points),
                exposures_s=tuple(point.exposure_s for point in points),
                radius_px=curve.radius_px,
                slope_px_per_step=curve.slope_px_per_step,
                reason=reason,
            )
        )

    def run(
        self,
        filter_name: str,
        reason: str,
        points: Sequence[Point],
        curve: Curve,
        tilt: Tilt | None,
        began_s: float,
    ) -> None:
        """Tell what a whole focus run came to; its points are those of the last scan."""
        self._looked()
        positions = [point.position_steps for point in points]
        if curve.refusal is Refusal.UNMOVED:
            self._log.emit(
                FocuserUnmoved(
                    device=self._focuser.device,
                    from_steps=min(positions),
                    to_steps=max(positions),
                )
            )
        self._log.emit(
            FocusCurve(
                filter=filter_name,
                reason=reason,
                positions_steps=positions,
                radii_px=[_known(point.radius_px) for point in points],
                accepted=curve.refusal is None,
                refusal="" if curve.refusal is None else curve.refusal.value,
                vertex_steps=_known(curve.vertex_steps),
                error_steps=_known(curve.vertex_error_steps),
                tilt_columns_steps=None if tilt is None else _known(tilt.columns_steps),
                tilt_rows_steps=None if tilt is None else _known(tilt.rows_steps),
                tilt_error_steps=None if tilt is None else _known(tilt.error_steps),
                temperature_c=self._focuser.temperature_c,
                took_s=steady_s() - began_s,
            )
        )

    def subs_tell(
        self,
        filter_name: str,
        place_steps: float,
        off_steps: float,
        position_steps: int,
        noteworthy_steps: float,
    ) -> None:
        """Tell of what subs tell, once best focus has moved by so much since it was told of."""
        self._subs += 1
        if self._told_steps is None:
            self._told_steps = place_steps
        moved_steps = place_steps - self._told_steps
        if abs(moved_steps) < noteworthy_steps:
            return
        self._log.emit(
            FocusFollowed(
                filter=filter_name,
                moved_steps=moved_steps,
                error_steps=off_steps,
                position_steps=position_steps,
                subs=self._subs,
            )
        )
        self._told_steps, self._subs = place_steps, 0

    def _looked(self) -> None:
        """What subs tell is counted from the last look on."""
        self._told_steps, self._subs = None, 0

    def backlash(self, configured_steps: int, known_steps: int, found: Backlash) -> None:
        """Keep the backlash that was measured, for the nights to come too, and tell of it."""
        self._ledger.add_backlash(
            FocuserBacklash(
                night=self._night,
                measured_utc=self._clock.now(),
                known_steps=known_steps,
                found_steps=found.steps,
                error_steps=found.error_steps,
            )
        )
        self._log.emit(
            BacklashFound(
                configured_steps=configured_steps,
                found_steps=found.steps,
                error_steps=found.error_steps,
            )
        )

    def offset(
        self, filter_name: str, before_steps: float, after_steps: float, error_steps: float
    ) -> None:
        """Tell that a filter's offset was wrong, and what it is from now on."""
        self._log.emit(
            OffsetCorrected(
                filter=filter_name,
                before_steps=before_steps,
                after_steps=after_steps,
                error_steps=error_steps,
            )
        )

    def unconfirmed(self, filter_name: str, radius_px: float, curve_px: float) -> None:
        """Tell of a curve that a frame at its vertex contradicts, and not for backlash."""
        self._log.emit(FocusUnconfirmed(filter=filter_name, radius_px=radius_px, curve_px=curve_px))

    def estimate(self, filter_name: str, curve: Curve, exposure_s: float) -> None:
        """Tell that the best guess of a refused curve has to do, and how the next one is taken."""
        self._log.emit(
            FocusGuessed(
                filter=filter_name,
                position_steps=curve.vertex_steps,
                error_steps=_known(curve.vertex_error_steps),
                scatter_percent=100.0 * curve.scatter,
                exposure_s=exposure_s,
            )
        )

    def check(
        self,
        filter_name: str,
        reason: str,
        positions_steps: Sequence[int],
        radii_px: Sequence[float],
        check: Check,
        correction_steps: float,
        growth: float,
        began_s: float,
    ) -> None:
        """Keep a check and tell of it: where it found the focus counts like a curve's vertex."""
        self._looked()
        middle_steps = (min(positions_steps) + max(positions_steps)) / 2.0
        self._ledger.add_check(
            CheckEntry(
                night=self._night,
                taken_utc=self._clock.now(),
                filter=filter_name,
                positions_steps=tuple(positions_steps),
                radii_px=tuple(_known(radius) for radius in radii_px),
                outcome=check.verdict.value,
                vertex_steps=middle_steps + check.estimate_steps,
                error_steps=check.error_steps,
                correction_steps=correction_steps,
                temperature_c=self._focuser.temperature_c,
                reason=reason,
            )
        )
        self._log.emit(
            FocusChecked(
                filter=filter_name,
                reason=reason,
                growth_percent=100.0 * growth,
                moved=check.verdict is CheckOutcome.MOVED,
                direction=check.direction,
                verdict=check.verdict.value,
                estimate_steps=_known(check.estimate_steps),
                error_steps=_known(check.error_steps),
                correction_steps=correction_steps,
                took_s=steady_s() - began_s,
            )
        )


def _known(value: float) -> float | None:
    """A number that is one; a measurement that failed is none."""
    return float(value) if math.isfinite(value) else None
