"""The calibration to guide by: one kept from before, or measured, doubted, and measured anew."""

import math
from datetime import datetime

from nightloom.guiding import (
    Calibration,
    CalibrationRun,
    Control,
    GuideStatistics,
    Refused,
    StarsLost,
)
from nightloom.guiding.calibrate import Look, calibrate, calibrated
from nightloom.guiding.calibration import CalibrationSide
from nightloom.guiding.derived import calibration_policy, rest_within_arcsec
from nightloom.guiding.devices import GuideDevices
from nightloom.guiding.readings import NotGuiding
from nightloom.ledger import GuideCalibration, Ledger
from nightloom.safety import Guard
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import GuidingDoubted
from nightloom_drivers.clock import Clock
from nightloom_drivers.errors import DeviceContradicts

SCALE_TOLERANCE = 0.01
"""Another binning or focal length makes rates in px worthless; digits lost in writing do not."""


class Calibrations:
    """Those in the ledger, of which the latest of each side of the pier counts: gives what was
    learned before, made to fit here, and keeps what is learned anew.
    """

    def __init__(self, ledger: Ledger, scale_arcsec_per_px: float) -> None:
        self._ledger, self._scale = ledger, scale_arcsec_per_px

    def fitting(self, declination_deg: float, side: CalibrationSide) -> Calibration | None:
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


class CalibrationKeeper:
    """Finds or measures the calibration, and says when it is to be measured anew.

    Doubt comes in the middle of a sub; the stars can leave their place for a minute only in a gap.
    Until then the loop makes do.
    """

    def __init__(
        self,
        kept: Calibrations,
        devices: GuideDevices,
        mount: Guard,
        settings: Settings,
        clock: Clock,
        log: Log,
    ) -> None:
        self._kept, self._devices, self._mount = kept, devices, mount
        self._policy = settings.policies.guiding
        self._scale = settings.observatory.guide_camera.scale_arcsec_per_px
        self._rest_within_arcsec = rest_within_arcsec(self._policy, settings.observatory)
        self._clock, self._log = clock, log
        self._measured_anew = False
        self.is_doubted = False
        """Whether the calibration is to be measured anew in the next gap."""

    async def begin(self, declination_deg: float, side: CalibrationSide, look: Look) -> Calibration:
        """The calibration to begin with, measured if none fits.

        Raises NotGuiding when that is refused, and DeviceError.
        """
        self.is_doubted = self._measured_anew = False
        known = self._kept.fitting(declination_deg, side)
        if known is not None:
            return known
        outcome = await self._measure(declination_deg, side, look)
        if isinstance(outcome, Refused):
            raise NotGuiding(f"calibration refused: {outcome}")
        return outcome

    def checked(self, control: Control, held: GuideStatistics) -> Control:
        """What to go on with: a calibration that stopped fitting is doubted, and its makeshift
        taken.

        Only stars that stay further off than rest asks for make it worth a doubt: a mount of
        coarse steps answers small pulses oddly and holds well.
        """
        holds_badly = held.count > 0 and held.rms_arcsec > self._rest_within_arcsec
        if self.is_doubted or not holds_badly or control.fits:
            return control
        self._doubt(control, "the stars do not follow the pulses")
        return control.makeshift()

    def doubts_unrest(self, control: Control) -> bool:
        """Whether stars that stayed far off are the calibration's fault, as far as is known.

        They may be unless it has been seen to fit; once from one start to the next.
        """
        if control.proven or self._measured_anew:
            return False
        self._measured_anew = True
        self._doubt(control, "the stars did not come to rest")
        return True

    async def anew(self, control: Control, look: Look) -> Control:
        """Measure it again, and what to go on with. The doubt is over, whatever comes of it.

        Raises DeviceContradicts when the stars do not follow the pulses in any sensible way, and
        DeviceError.
        """
        old = control.calibration
        outcome = await self._measure(old.declination_deg, old.pier_side, look)
        if isinstance(outcome, Refused):  # a gust may have had a hand in it
            outcome = await self._measure(old.declination_deg, old.pier_side, look)
        if isinstance(outcome, Refused) and not isinstance(outcome, StarsLost):
            raise DeviceContradicts(
                self._devices.port_device,
                "guide pulses",
                asked="a calibration",
                seen=str(outcome),
            )
        self.is_doubted = False
        return control.next_one(old if isinstance(outcome, StarsLost) else outcome, control.ahead_s)

    async def _measure(
        self, declination_deg: float, side: CalibrationSide, look: Look
    ) -> Calibration | Refused:
        policy = calibration_policy(self._policy, self._scale, self._devices.guide_rates_sidereal)
        run = CalibrationRun(policy, declination_deg=declination_deg, pier_side=side)
        outcome = await calibrate(run, look, self._devices, self._mount)
        if isinstance(outcome, Calibration):
            self._kept.keep(outcome, self._clock.now())
            self._log.emit(calibrated(outcome, self._scale))
        return outcome

    def _doubt(self, control: Control, reason: str) -> None:
        self.is_doubted = True
        self._log.emit(
            GuidingDoubted(
                reason=reason,
                ra_share=_number(control.ra.response.share),
                dec_share=_number(control.dec.response.share),
            )
        )


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


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
