"""What guiding takes where the settings leave it out: from the scales, the guide rate and the air.

- Rest is within half a pixel of the main camera: such an error in both axes together, all through
  a sub, widens a star of two pixels FWHM, as sharp as sampling allows, by 8 % (√(0.85² + 0.35²) px
  against 0.85 px). What the air makes counts as rest in any case, and is measured while guiding;
  see `RestPolicy`.
- Rest is looked at for as long as the wind takes to carry the air's largest eddies past: motions
  of the image are alike for that long, so that two frames nearer to each other are hardly two. A
  guide exposure that lasts longer averages them, and then two frames in a row will do.
- Rest is waited for ten times as long. Two frames of sound guiding are both inside nine times in
  ten (0.95²): that ten such pairs fail is not the air's doing, and longer waiting no cure.
- A step of the calibration moves the stars by a fifth of a leg: few frames, and yet a line of
  four or more points after the backlash.
"""

from nightloom.guiding.calibrating import CalibrationPolicy
from nightloom.guiding.calibration import SIDEREAL_ARCSEC_PER_S
from nightloom.guiding.rest import RestPolicy
from nightloom.settings.observatory import Observatory
from nightloom.settings.policies import GuidingPolicy

REST_WITHIN_PX = 0.5
EDDY_M, WIND_M_PER_S = 20.0, 10.0
"""The air's outer scale, of which 10 to 30 m are common, and a wind (common figures, no source)."""

DEADLINE_RESTS = 10
STEPS_A_LEG = 5

GUIDE_RATE_SIDEREAL = 0.5
"""Where a mount does not report its guide rate: most are set to it (common practice, no source)."""


def rest_within_arcsec(policy: GuidingPolicy, observatory: Observatory) -> float:
    """The error that counts as rest even in still air.

    While the main camera's pixel is not written down, the guide camera's stands in for it.
    """
    if policy.rest_within_arcsec is not None:
        return policy.rest_within_arcsec
    camera = observatory.camera
    if camera.pixel_um is None:
        return REST_WITHIN_PX * observatory.guide_camera.scale_arcsec_per_px
    binned_um = camera.pixel_um * camera.binning
    return REST_WITHIN_PX * observatory.optics.scale_arcsec_per_px(binned_um)


def rest_policy(policy: GuidingPolicy, observatory: Observatory) -> RestPolicy:
    """When the stars of the guide camera rest, and how long that is waited for."""
    chip = observatory.guide_camera
    rest_for_s, deadline_s = policy.rest_for_s, policy.rest_deadline_s
    if rest_for_s is None:
        rest_for_s = max(chip.exposure_s, EDDY_M / WIND_M_PER_S)
    if deadline_s is None:
        deadline_s = DEADLINE_RESTS * rest_for_s
    within_px = rest_within_arcsec(policy, observatory) / chip.scale_arcsec_per_px
    return RestPolicy(rest_for_s, deadline_s, within_px)


def calibration_policy(
    policy: GuidingPolicy,
    scale_arcsec_per_px: float,
    rates_sidereal: tuple[float, float] | None,
) -> CalibrationPolicy:
    """How to calibrate at this scale of the guide camera.

    ``rates_sidereal``: guide rates of right ascension and declination in sidereal rates, as the
    mount reports them, if it does; the slower one counts. One that no mount has is not believed.
    """
    usual = CalibrationPolicy(scale_arcsec_per_px)
    step_ms = policy.calibration_step_ms
    if step_ms is None:
        rate = GUIDE_RATE_SIDEREAL if rates_sidereal is None else min(rates_sidereal)
        if not usual.rate_min_sidereal <= rate <= usual.rate_max_sidereal:
            rate = GUIDE_RATE_SIDEREAL
        step_arcsec = usual.distance_px / STEPS_A_LEG * scale_arcsec_per_px
        step_ms = 1000 * step_arcsec / (rate * SIDEREAL_ARCSEC_PER_S)
        step_ms = min(step_ms, usual.pulse_max_ms)
    return CalibrationPolicy(scale_arcsec_per_px, pulse_ms=round(step_ms))
