"""Measures a guide calibration: pulses, looks, and reads which way the mount says it went."""

from collections.abc import Awaitable, Callable
from dataclasses import replace

from nightloom.guiding import (
    Calibration,
    CalibrationRun,
    Direction,
    Done,
    Measurement,
    Pulses,
    Refused,
)
from nightloom.guiding.devices import GuideDevices
from nightloom.safety import Guard
from nightloom.telemetry.events import GuidingCalibrated

Look = Callable[[], Awaitable[Measurement]]


async def calibrate(
    run: CalibrationRun, look: Look, devices: GuideDevices, mount: Guard
) -> Calibration | Refused:
    """Do what the run asks for until it ends. Raises DeviceError."""
    ends_deg: dict[Direction, float] = {}  # the mount's declination at the end of each leg
    while True:
        seen = await look()
        ends_deg[run.legs[-1].direction] = mount.position.dec_deg
        match run.next(seen):
            case Pulses() as pulses:
                await devices.pulse(pulses)
            case Done(found):
                return replace(found, north_is_south=_went_south(run, ends_deg))
            case Refused() as refusal:
                return refusal


def calibrated(calibration: Calibration, scale_arcsec_per_px: float) -> GuidingCalibrated:
    """The line of the log that tells of it."""
    dec_arcsec_per_s = calibration.dec_rate_px_per_s * scale_arcsec_per_px
    return GuidingCalibrated(
        pier_side=calibration.pier_side,
        angle_deg=calibration.ra_angle_deg,
        ra_rate_arcsec_per_s=calibration.ra_rate_px_per_s * scale_arcsec_per_px,
        dec_rate_arcsec_per_s=dec_arcsec_per_s,
        orthogonality_deg=calibration.skew_deg,
        backlash_arcsec=calibration.backlash_s * dec_arcsec_per_s,
    )


def _went_south(run: CalibrationRun, ends_deg: dict[Direction, float]) -> bool:
    """Whether the mount reads that pulses north took it south.

    One that does not count its pulses is taken at its word.
    """
    moved_deg = ends_deg[Direction.NORTH] - ends_deg[Direction.EAST]
    north = next(leg for leg in run.legs if leg.direction is Direction.NORTH)
    seen_arcsec = north.moved_px() * run.policy.scale_arcsec_per_px
    return 3600.0 * moved_deg < -0.5 * seen_arcsec
