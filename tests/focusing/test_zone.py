import pytest

from focusing.blur import blurred_radius
from nightloom.focusing import (
    blur_slope_px_per_um,
    critical_focus_zone_um,
    scan_step_steps,
)


@pytest.mark.parametrize(
    ("wavelength_nm", "widths_um"),
    [
        (510, (39.8, 62.2, 122.0, 248.9)),
        (550, (42.9, 67.1, 131.5, 268.4)),
        (656, (51.2, 80.0, 156.9, 320.1)),
    ],
)
def test_critical_focus_zone(wavelength_nm: float, widths_um: tuple[float, ...]) -> None:
    """4.88 λ N² at f/4, f/5, f/7 and f/10: computed from the formula of the trade."""
    for focal_ratio, width_um in zip((4, 5, 7, 10), widths_um, strict=True):
        assert critical_focus_zone_um(wavelength_nm, focal_ratio) == pytest.approx(
            width_um, abs=0.06
        )


@pytest.mark.parametrize(
    ("obstruction", "slope"), [(0, 0.707), (0.3, 0.738), (0.4, 0.762), (0.5, 0.791)]
)
def test_blur_slope(obstruction: float, slope: float) -> None:
    """Far slope in units of the disk's radius R = |Δz|/(2N), computed from the geometry."""
    assert blur_slope_px_per_um(0.5, 1.0, obstruction) == pytest.approx(slope, abs=6e-4)


def test_scan_step_makes_stars_grow_as_asked() -> None:
    """At the ends of a scan so spaced, a star in 2″ seeing has about twice its focused size.

    Checked with stars of blurred disks, which are up to 7 % off the hyperbola behind the rule.
    """
    focal_ratio, pixel_um, step_um, sigma_px = 6.0, 3.76, 4.0, 1.1
    slope = blur_slope_px_per_um(focal_ratio, pixel_um)
    zone_um = critical_focus_zone_um(550, focal_ratio)
    step = scan_step_steps(zone_um, slope, 1.17741 * sigma_px, 9, step_um)
    disk_px = 4 * step * step_um / (2 * focal_ratio) / pixel_um
    growth = blurred_radius(disk_px / sigma_px) / 1.17741
    assert growth == pytest.approx(2.2, rel=0.1)


def test_scan_step_is_never_lost_in_the_zone() -> None:
    """Tiny stars do not ask for steps finer than half of the critical focus zone."""
    assert scan_step_steps(100.0, 1.0, 0.1, 9, 5.0) == 10
    assert scan_step_steps(1.0, 1.0, 0.1, 9, 50.0) == 1
