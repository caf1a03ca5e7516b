"""How deep the focus is, and how far apart the positions of a scan should be."""

from math import sqrt


def critical_focus_zone_um(wavelength_nm: float, focal_ratio: float) -> float:
    """Full width of the zone that looks focused, along the axis: 4.88 λ N²."""
    return 4.88 * wavelength_nm / 1000.0 * focal_ratio**2


def blur_slope_px_per_um(
    focal_ratio: float, pixel_um: float, central_obstruction: float = 0.0
) -> float:
    """Growth of the half-flux radius for each µm of defocus, far from focus.

    The cone of light makes a disk of radius Δz/(2N), with a hole in the obstruction's proportion ε;
    half of its light lies within √((1+ε²)/2) of that radius. Geometry, no source needed.
    """
    return sqrt((1.0 + central_obstruction**2) / 2.0) / (2.0 * focal_ratio * pixel_um)


def scan_step_steps(
    zone_um: float,
    slope_px_per_um: float,
    focused_radius_px: float,
    points: int,
    step_um: float,
    growth: float = 2.2,
) -> int:
    """A distance between scan positions that lets the outermost stars grow `growth` times.

    Less growth leaves a flat curve, more loses faint stars (common practice, no source). Never
    less than half of the critical focus zone, within which stars hardly change.
    """
    reach_um = focused_radius_px * sqrt(growth**2 - 1.0) / slope_px_per_um
    spacing_um = max(2.0 * reach_um / (points - 1), zone_um / 2.0)
    return max(1, round(spacing_um / step_um))
