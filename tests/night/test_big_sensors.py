"""Sensors of the sizes that people have: solved, focused, guided, measured and written.

Sizes in common use: 26 megapixels (6248 × 4176) and 62 (9576 × 6388).
"""

import resource
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from night.nights import demo, live
from nightloom.frames.measuring import measure_frame
from nightloom.ledger import Verdict
from nightloom.telemetry import events as e
from nightloom_drivers.rig_settings import RigSettings

MEMORY_MB = 3000.0
"""Of a rehearsal whose simulated rig, measuring and writing share one process, at 62 megapixels."""


@pytest.mark.long
@pytest.mark.parametrize(("width_px", "height_px"), [(6248, 4176), (9576, 6388)])
def test_a_night_with_a_big_sensor(tmp_path: Path, width_px: int, height_px: int) -> None:
    settings, rig = demo(targets={"L": 120.0, "R": 120.0})
    size = {"width_px": width_px, "height_px": height_px}
    rig = RigSettings.model_validate(rig.model_dump() | {"sensor": rig.sensor.model_dump() | size})
    story = live(tmp_path, (settings, rig), hours=0.25, frames=True)
    assert story.played.violations == []
    assert len(story.frames) >= 4
    assert {frame.verdict for frame in story.frames} == {Verdict.ACCEPTED}
    assert [curve.accepted for curve in story.of(e.FocusCurve)] == [True]
    assert max(sub.defocus_growth for sub in story.played.subs) < 0.1
    file = next(tmp_path.rglob("*.fits"))
    assert (fits.getval(file, "NAXIS1"), fits.getval(file, "NAXIS2")) == (width_px, height_px)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 < MEMORY_MB


def test_stars_of_a_big_frame_are_measured_all_over_it() -> None:
    """Nine megapixels: round stars of a known size, 600 of them, in every corner."""
    generator = np.random.default_rng(2)
    height_px, width_px, sigma_px = 2600, 3500, 1.6
    data = generator.normal(800.0, 12.0, (height_px, width_px)).astype(np.float32)
    y, x = np.mgrid[-8:9, -8:9]
    star = 4000.0 * np.exp(-(x**2 + y**2) / (2 * sigma_px**2))
    places = generator.integers(20, (height_px - 20, width_px - 20), (600, 2))
    for row, column in places:
        data[row - 8 : row + 9, column - 8 : column + 9] += star
    seen = measure_frame(np.clip(data, 0, 65535).astype(np.uint16), 60_000.0)
    assert seen.count > 100
    # Half of a Gaussian's light lies within √(2 ln 2) σ.
    radius_px = float(np.sqrt(2 * np.log(2.0)) * sigma_px)
    assert seen.half_flux_radius_px == pytest.approx(radius_px, rel=0.05)
    assert np.isfinite(seen.zones["half_flux_radius_px"]).all()
