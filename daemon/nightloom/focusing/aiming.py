"""What a focus curve is to reach, by the optics and what is asked for."""

import math

from nightloom.focusing.scan import Aim
from nightloom.focusing.travel import Travel
from nightloom.focusing.zone import blur_slope_px_per_um, critical_focus_zone_um, scan_step_steps
from nightloom.settings.observatory import Observatory
from nightloom.settings.policies import FocusPolicy

USUAL_SEEING_ARCSEC = 3.0
"""FWHM that the first scan of a night is planned for (common practice, no source)."""

GROWTH = 2.2
"""Of the stars from the middle of a scan to its ends; see `scan_step_steps`."""


def aim_of(
    observatory: Observatory,
    policy: FocusPolicy,
    filter_name: str,
    pixel_um: float,
    focused_px: float | None,
    travel: Travel,
) -> Aim:
    """What a curve with a filter is to reach, by the optics or the configured step.

    `focused_px` is the half-flux radius in focus, None before it is known.
    """
    optics, said = observatory.optics, observatory.focuser
    in_focus_px = focused_px or USUAL_SEEING_ARCSEC / 2.0 / optics.scale_arcsec_per_px(pixel_um)
    slope = blur_slope_px_per_um(optics.focal_ratio, pixel_um, optics.central_obstruction)
    wavelength_nm = observatory.filters[filter_name].wavelength_nm
    zone_um = critical_focus_zone_um(wavelength_nm, optics.focal_ratio)
    points, step = policy.points, policy.step_steps
    slope_px_per_step = slope * said.step_um
    if step is None:
        step = scan_step_steps(zone_um, slope, in_focus_px, points, said.step_um, GROWTH)
    else:  # the step that was asked for says how fast stars grow on this rig
        reach_steps = step * (points - 1) / 2.0
        slope_px_per_step = min(
            slope_px_per_step, in_focus_px * math.sqrt(GROWTH**2 - 1.0) / reach_steps
        )
    return Aim(
        step_steps=step,
        points=points,
        travel=travel,
        zone_steps=zone_um / said.step_um,
        slope_px_per_step=slope_px_per_step,
        least_stars=policy.minimum_stars,
    )
