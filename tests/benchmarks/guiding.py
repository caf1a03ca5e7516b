"""How near guiding comes to what the air allows, beside a plain proportional loop: same nights,
same mount, same pixels.

    python tests/benchmarks/guiding.py [--nights 8] [--hours 2] [--jitter 0.5]

The mount has 20″ of periodic error (peak to peak) in 480 s, 1.5′ of polar error and 3″ of play in
declination; the seeing is 2.5″; a guide frame of 2 s comes each 2.1 s and its pulses.
"""

import argparse
import json
import math
import sys
import time
from pathlib import Path

import numpy as np

# Not this folder, in which this file hides the tests of the same name.
sys.path[0] = str(Path(__file__).parents[1])

from guiding.closed_loop import (  # noqa: E402
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
from nightloom.guiding import Control, GuidePolicy, Pulses, measure  # noqa: E402

MAIN_ARCSEC_PER_PX, DITHER_PX, DITHERS = 1.463, 5.0, 30


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
    parser.add_argument("--nights", type=int, default=8)
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--jitter", type=float, default=0.5, help="arcsec of air in one second")
    asked = parser.parse_args()
    nights = [night(seed, asked.hours, asked.jitter) for seed in range(asked.nights)]
    mean = {key: math.sqrt(np.mean([one[key] ** 2 for one in nights])) for key in nights[0]}
    took_s = [took for seed in range(3) for took in dithers(seed)]
    own = {
        key: math.sqrt(max(mean[key] ** 2 - mean["floor"] ** 2, 0)) for key in ("guided", "plain")
    }
    figures = {
        "rms_arcsec": mean,
        "guided_over_floor": mean["guided"] / mean["floor"],
        "worst_guided_over_floor": max(one["guided"] / one["floor"] for one in nights),
        "guided_over_plain": mean["guided"] / mean["plain"],
        "mount_part_arcsec": own,
        "mount_part_guided_over_plain": own["guided"] / own["plain"],
        "dither_median_s": float(np.median(took_s)),
        "dither_slowest_s": max(took_s),
        **milliseconds(),
    }
    sys.stdout.write(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
