"""How well focus curves and checks find the focus, with frames of stars: prints two tables.

    python tests/benchmarks/focus_curves.py [curves]

Each curve is a scan of nine frames of a 106 mm f/5 telescope, planned as the night plans it, under
air of 2.8″ that changes by 15 % in a quarter of an hour and by 3 % a frame, begun up to one and a
half steps off. The same frames are fitted with the blurred disk and with the hyperbola. Checks are
four or six such frames, made up to half a critical focus zone off.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from focusing import star_frames as rig
from nightloom.focusing import (
    BLURRED_DISK,
    HYPERBOLA,
    Check,
    CheckOutcome,
    Curve,
    Shape,
    blur_slope_px_per_um,
    critical_focus_zone_um,
    fit_curve,
    judge_check,
    next_offset_steps,
    scan_step_steps,
)

ZONE_UM = critical_focus_zone_um(550.0, rig.FOCAL_RATIO)
POINTS, LEAST_STARS = 9, 8
CASES = (("lens", 0.0, 120), ("mirror, 35 % obstructed", 0.35, 120), ("lens, few stars", 0.0, 25))


def step_steps(obstruction: float) -> int:
    """The step that the optics ask for, as the night reckons it."""
    slope = blur_slope_px_per_um(rig.FOCAL_RATIO, rig.PIXEL_UM, obstruction)
    focused_px = 3.0 / 2 / rig.SCALE_ARCSEC
    return scan_step_steps(ZONE_UM, slope, focused_px, POINTS, rig.STEP_UM)


def scans(number: int, obstruction: float, stars: int) -> list[dict[Shape, tuple[Curve, float]]]:
    """Curves by shape, each with how far its vertex is from the focus in steps."""
    step = step_steps(obstruction)
    done = []
    for seed in range(number):
        rng = np.random.default_rng(seed)
        bench = rig.Bench(rng, obstruction=obstruction, stars=stars)
        first = bench.best_steps + step * (rng.uniform(-1.5, 1.5) - POINTS // 2)
        positions = np.round(first + step * np.arange(POINTS))
        fields = [bench.measured(float(position)) for position in positions]
        radii = [field.half_flux_radius_px for field in fields]
        counts = [field.count for field in fields]
        fits = {}
        for shape in (BLURRED_DISK, HYPERBOLA):
            curve = fit_curve(positions, radii, counts, least_stars=LEAST_STARS, shape=shape)
            fits[shape] = (curve, curve.vertex_steps - bench.best_steps)
        done.append(fits)
    return done


def checks(number: int, obstruction: float, stars: int) -> list[tuple[Check, float]]:
    """Checks, each with how far its estimate is from the focus in steps."""
    slope = blur_slope_px_per_um(rig.FOCAL_RATIO, rig.PIXEL_UM, obstruction) * rig.STEP_UM
    zone_steps = ZONE_UM / rig.STEP_UM
    done = []
    for seed in range(number):
        rng = np.random.default_rng(seed)
        bench = rig.Bench(rng, obstruction=obstruction, stars=stars)
        middle = round(bench.best_steps + zone_steps * rng.uniform(-0.5, 0.5))
        offsets: list[float] = []
        radii: list[float] = []
        check: Check | None = None
        while (offset := next_offset_steps(len(offsets), zone_steps, check)) is not None:
            field = bench.measured(middle + offset)
            offsets.append(offset)
            radii.append(field.half_flux_radius_px if field.count >= LEAST_STARS else np.nan)
            check = judge_check(offsets, radii, slope, zone_steps)
        assert check is not None
        done.append((check, middle + check.estimate_steps - bench.best_steps))
    return done


def print_checks(number: int, quarter: float) -> bool:
    """Print the table of checks; whether they find the focus less well than they must."""
    print(f"\n{number} checks each")
    failed = False
    for name, obstruction, stars in CASES:
        done = checks(number, obstruction, stars)
        clear = [one for one in done if one[0].verdict is not CheckOutcome.UNCLEAR]
        off = np.abs([away for _, away in clear])
        sigma = np.array([check.error_steps for check, _ in clear])
        within = float(np.mean(off < quarter))
        print(
            f"{name:40}{len(clear):6}{np.sqrt(np.mean(off**2)):7.2f}{np.quantile(off, 0.95):7.2f}"
            f"{within:11.1%}{np.mean(off < sigma):8.1%}{np.mean(off < 2 * sigma):8.1%}"
        )
        failed |= within < 0.95 or len(clear) < 0.9 * number
    return failed


def main() -> int:
    """Print the tables; fails when the focus is not found as well as it must be."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    quarter = ZONE_UM / rig.STEP_UM / 4
    print(
        f"{number} curves each at f/5; a quarter of the critical focus zone is {quarter:.1f} steps"
    )
    heads = ("used", "rms", "95 %", "in ¼ zone", "in 1σ", "in 2σ", "scatter")
    widths = (6, 7, 7, 11, 8, 8, 9)
    print(
        " " * 26
        + f"{'shape':14}"
        + "".join(f"{h:>{w}}" for h, w in zip(heads, widths, strict=True))
    )
    failed = False
    for name, obstruction, stars in CASES:
        done = scans(number, obstruction, stars)
        for shape in (BLURRED_DISK, HYPERBOLA):
            used = [fits[shape] for fits in done if fits[shape][0].refusal is None]
            off = np.abs([away for _, away in used])
            sigma = np.array([curve.vertex_error_steps for curve, _ in used])
            within = float(np.mean(off < quarter))
            scatter = float(np.median([curve.scatter for curve, _ in used]))
            print(
                f"{name:26}{shape.name:14}{len(used):6}{np.sqrt(np.mean(off**2)):7.2f}"
                f"{np.quantile(off, 0.95):7.2f}{within:11.1%}{np.mean(off < sigma):8.1%}"
                f"{np.mean(off < 2 * sigma):8.1%}{scatter:9.1%}"
            )
            failed |= shape is BLURRED_DISK and (within < 0.95 or len(used) < 0.9 * number)
    failed |= print_checks(number, quarter)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
