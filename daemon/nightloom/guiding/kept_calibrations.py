"""The guide calibrations that the ledger keeps: the latest of each side of the pier."""

from datetime import datetime

from nightloom.guiding import Calibration
from nightloom.guiding.calibration import PierSide
from nightloom.ledger import GuideCalibration, Ledger

SCALE_TOLERANCE = 0.01
"""Another binning or focal length makes rates in px worthless; digits lost in writing do not."""


class Calibrations:
    """Gives what was learned before, made to fit here, and keeps what is learned anew."""

    def __init__(self, ledger: Ledger, scale_arcsec_per_px: float) -> None:
        self._ledger, self._scale = ledger, scale_arcsec_per_px

    def fitting(self, declination_deg: float, side: PierSide) -> Calibration | None:
        """The calibration of this side of the pier, or else the other's turned round; None without
        any.
        """
        known = [_calibration(row) for row in self._ledger.calibrations() if self._same_scale(row)]
        here = [one for one in known if {one.pier_side, side} != {"east", "west"}]
        there = [one.mirrored() for one in known if one not in here]
        found = here or there
        return found[-1].at_declination(declination_deg) if found else None

    def keep(self, calibration: Calibration, at: datetime) -> None:
        """Enter a new one, which from now on is the one of its side."""
        self._ledger.add_calibration(
            GuideCalibration(
                measured_utc=at,
                pier_side=calibration.pier_side,
                scale_arcsec_per_px=self._scale,
                declination_deg=calibration.declination_deg,
                ra_angle_deg=calibration.ra_angle_deg,
                dec_angle_deg=calibration.dec_angle_deg,
                ra_rate_px_per_s=calibration.ra_rate_px_per_s,
                dec_rate_px_per_s=calibration.dec_rate_px_per_s,
                backlash_s=calibration.backlash_s,
                north_is_south=calibration.north_is_south,
            )
        )

    def _same_scale(self, row: GuideCalibration) -> bool:
        return abs(row.scale_arcsec_per_px / self._scale - 1) < SCALE_TOLERANCE


def _calibration(row: GuideCalibration) -> Calibration:
    return Calibration(
        ra_angle_deg=row.ra_angle_deg,
        dec_angle_deg=row.dec_angle_deg,
        ra_rate_px_per_s=row.ra_rate_px_per_s,
        dec_rate_px_per_s=row.dec_rate_px_per_s,
        declination_deg=row.declination_deg,
        pier_side=row.pier_side,
        backlash_s=row.backlash_s,
        north_is_south=row.north_is_south,
    )
