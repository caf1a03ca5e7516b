"""How near guiding comes to what the air allows, beside a plain proportional loop: same nights,
same mount, same pixels; in several airs, since a mount's part shows in a quiet one.

    python tests/benchmarks/guide_errors.py [--nights 4] [--hours 1] [--jitter 0.1 0.25 0.5]

The mount has 20″ of periodic error (peak to peak) in 480 s, 1.5′ of polar error and 3″ of backlash
in declination; the seeing is 2.5″; a guide frame of 2 s comes each 2.1 s and its pulses. `jitter`
is the motion of a star in one axis in a second, and falls as the root of the time. For a 60 mm
guide telescope in that seeing `image_motion_arcsec` gives 0.16″ to 0.23″ in 2 s (wind of 10 to 5
m/s, outer scale 25 m), which is a jitter of 0.25 to 0.3; 0.5 is air without an outer scale, and 0.1
a good mountain's.
"""

import argparse
import json
import math
import sys
import time
from pathlib import Path

import numpy as np
from scipy.special import j1

# Not this folder, in which this file hides the tests of the same name.
sys.path[0] = str(Path(__file__).parents[1])

from guiding.closed_loop import (  # noqa: E402
    EXPOSURE_S,
    HARD_MOUNT,
    LEAST_MOVE_ARCSEC,
    PERFECT_MOUNT,
    GuidedSky,
    air_floor_arcsec,
    forecasting,
    guide,
    proportional,
    rms_arcsec,
)
from nightloom.guiding import Control, GuidePolicy, PeriodicError, Pulses, measure  # noqa: E402

MAIN_ARCSEC_PER_PX, DITHER_PX, DITHERS = 1.463, 5.0, 30
SLEWS_H = (-2.0, -3.0, -1.2, -2.5)
BEFORE_SLEW_H, AFTER_SLEW_H = 0.5, 1 / 6


def image_motion_arcsec(
    exposure_s: float,
    wind_m_per_s: float,
    outer_scale_m: float = 25.0,
    aperture_m: float = 0.06,
    seeing_arcsec: float = 2.5,
) -> float:
    """Motion of a star's image in one axis, averaged over an exposure, standard deviation.

    The tilt of a von Kármán wavefront (0.0229 r0^(-5/3) (f² + L0^-2)^(-11/6)) over the aperture,
    smoothed by the wind that carries it past at 45° to the axis (Martin 1987, PASP 99, 1360);
    r0 = 0.98 λ/seeing. The factor is Kolmogorov's (24/5 Γ(6/5))^(5/6) Γ(11/6)² / (2 π^(11/3)), and
    the tilt's spectrum (λ f)² times the phase's.
    """
    wavelength_m, arcsec = 500e-9, 206265.0
    r0_m = 0.98 * wavelength_m * arcsec / seeing_arcsec
    angle = (np.arange(360) + 0.5) * 2 * np.pi / 360
    f, turn = np.meshgrid(np.geomspace(1e-4, 100, 3000), angle, indexing="ij")
    phase = 0.0229 * r0_m ** (-5 / 3) * (f**2 + outer_scale_m**-2) ** (-11 / 6)
    pupil = 2 * j1(np.pi * aperture_m * f) / (np.pi * aperture_m * f)
    passed = np.sinc(f * np.cos(turn - np.pi / 4) * wind_m_per_s * exposure_s)
    spectrum = phase * (pupil * passed * wavelength_m * f * np.cos(turn)) ** 2 * 2 * np.pi * f
    return arcsec * math.sqrt(float(np.trapezoid(spectrum.mean(axis=1), f[:, 0])))


def night(seed: int, hours: float, jitter_arcsec: float) -> dict[str, float]:
    """RMS of one night under each rule, in arcseconds, both axes together."""
    still = GuidedSky(PERFECT_MOUNT, seed, jitter_arcsec=jitter_arcsec)
    floor = air_floor_arcsec(still)
    unguided = np.array(list(guide(still, lambda _: Pulses(), hours)))
    guided_sky = GuidedSky(HARD_MOUNT, seed, jitter_arcsec=jitter_arcsec)
    guided = rms_arcsec(
        guided_sky, guide(guided_sky, forecasting(guided_sky, guided_sky.calibrate()), hours)
    )
    plain_sky = GuidedSky(HARD_MOUNT, seed, jitter_arcsec=jitter_arcsec)
    plain = rms_arcsec(
        plain_sky, guide(plain_sky, proportional(plain_sky, plain_sky.calibrate()), hours)
    )
    return {
        "floor": floor,
        "perfect_mount": still.scale_arcsec_per_px * float(np.hypot(*unguided.std(axis=0))),
        "guided": guided,
        "plain": plain,
    }


def row(nights: int, hours: float, jitter_arcsec: float) -> dict[str, float]:
    """The table's row for one air."""
    figures = [night(seed, hours, jitter_arcsec) for seed in range(nights)]
    mean = {key: math.sqrt(np.mean([one[key] ** 2 for one in figures])) for key in figures[0]}
    # What the mount adds, in squares, to what a perfect one left alone was seen to have.
    own = {
        key: math.sqrt(max(mean[key] ** 2 - mean["perfect_mount"] ** 2, 0))
        for key in ("guided", "plain")
    }
    return {
        "jitter_arcsec": jitter_arcsec,
        **{f"{key}_arcsec": value for key, value in mean.items()},
        "guided_over_floor": mean["guided"] / mean["floor"],
        "worst_guided_over_floor": max(one["guided"] / one["floor"] for one in figures),
        "guided_over_perfect_mount": mean["guided"] / mean["perfect_mount"],
        "guided_over_plain": mean["guided"] / mean["plain"],
        "floor_over_plain": mean["floor"] / mean["plain"],
        "mount_part_guided_over_plain": own["guided"] / own["plain"],
    }


def after_slews(seed: int, jitter_arcsec: float, *, known: bool) -> list[float]:
    """RMS in the ten minutes after each slew, with the periodic error known from before or not."""
    sky = GuidedSky(HARD_MOUNT, seed, jitter_arcsec=jitter_arcsec)
    sky.slew(SLEWS_H[0])
    calibration = sky.calibrate()
    policy = GuidePolicy(LEAST_MOVE_ARCSEC / sky.scale_arcsec_per_px)
    control = Control(calibration, policy, PeriodicError(sky.ahead_s()))
    after = []
    for hour_angle_h in SLEWS_H[1:]:
        list(guide(sky, forecasting(sky, calibration, control), BEFORE_SLEW_H))
        sky.slew(hour_angle_h)
        ahead_s = sky.ahead_s()
        fresh = Control(calibration, policy, PeriodicError(ahead_s))
        control = control.next_one(calibration, ahead_s) if known else fresh
        after.append(
            rms_arcsec(sky, guide(sky, forecasting(sky, calibration, control), AFTER_SLEW_H))
        )
    return after


def dithers(seed: int) -> list[float]:
    """Seconds that dithers with their settling take."""
    sky = GuidedSky(HARD_MOUNT, seed)
    control = Control(sky.calibrate(), GuidePolicy(LEAST_MOVE_ARCSEC / sky.scale_arcsec_per_px))
    rule = forecasting(sky, control.calibration, control)
    list(guide(sky, rule, 0.2))
    way_px = DITHER_PX * MAIN_ARCSEC_PER_PX / sky.scale_arcsec_per_px
    took_s = []
    for angle in np.random.default_rng(seed).uniform(0, 2 * np.pi, DITHERS):
        took_s.append(sky.dither(control, way_px * math.cos(angle), way_px * math.sin(angle)))
        list(guide(sky, rule, 120 / 3600))
    return took_s


def milliseconds(frames: int = 1000) -> dict[str, float]:
    """What one guide frame costs: finding the stars, and deciding."""
    sky = GuidedSky(HARD_MOUNT, 1)
    control = Control(sky.calibrate(), GuidePolicy())
    image = sky.world.guide_camera.expose(sky.now_s, 2.0)
    chance = np.random.default_rng(1)
    measuring, deciding = [], []
    for number in range(frames):
        begun = time.perf_counter()
        measure(image, sky.stars, radius_px=14)
        halfway = time.perf_counter()
        control.observe(2.2 * number, *chance.normal(0, 0.1, 2))
        control.correct(2.2 * (number + 1))
        measuring.append(halfway - begun)
        deciding.append(time.perf_counter() - halfway)
    return {
        "measure_ms": 1000 * float(np.median(measuring)),
        "decide_ms": 1000 * float(np.mean(deciding)),
    }


def main() -> None:
    """Print all of it as one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--nights", type=int, default=4)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument(
        "--jitter", type=float, nargs="+", default=[0.1, 0.25, 0.5], help="arcsec in one second"
    )
    asked = parser.parse_args()
    took_s = [took for seed in range(3) for took in dithers(seed)]
    slews = {
        f"wave_{name}_arcsec": math.sqrt(
            np.mean([rms**2 for seed in (1, 2) for rms in after_slews(seed, 0.25, known=known)])
        )
        for name, known in (("learned_anew", False), ("known", True))
    }
    figures = {
        "by_air": [row(asked.nights, asked.hours, jitter) for jitter in asked.jitter],
        "air_in_2_s_arcsec": {
            f"wind_{wind}_m_per_s": image_motion_arcsec(EXPOSURE_S, wind) for wind in (5, 10, 20)
        },
        "ten_minutes_after_a_slew": slews,
        "dither_median_s": float(np.median(took_s)),
        "dither_slowest_s": max(took_s),
        **milliseconds(),
    }
    sys.stdout.write(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
