"""A dozen moments of rain; tests/benchmarks/rain.py has three hundred."""

from pathlib import Path

import pytest

from safety.rain import MOMENTS, run_moment

LEFT_OUT = {
    "waiting, closed",
    "acquiring",
    "in a sub",
    "without Rig Camera",
    "without Rig Weather",
    "without Rig Guide Camera",
    "without Rig Light Panel",
    "without Rig Dust Cap",
}
"""What the other tests here have seen, or what is as any other moment."""


@pytest.mark.parametrize(
    "moment",
    [
        pytest.param(name, marks=pytest.mark.long) if name == "without Rig Wheel" else name
        for name in MOMENTS
        if name not in LEFT_OUT
    ],
)
def test_rain_closes_the_roof_at_any_moment(tmp_path: Path, moment: str) -> None:
    seed = tuple(MOMENTS).index(moment)
    outcome = run_moment(seed, tmp_path)
    assert outcome.findings == ()
    assert outcome.closed_s < float("inf")
