"""A moment of rain of every kind; tests/benchmarks/rain.py has three hundred."""

from pathlib import Path

import pytest

from safety.rain import MOMENTS, run_moment


@pytest.mark.parametrize("seed", range(len(MOMENTS)), ids=list(MOMENTS))
def test_rain_closes_the_roof_at_any_moment(tmp_path: Path, seed: int) -> None:
    outcome = run_moment(seed, tmp_path)
    assert outcome.findings == ()
    assert outcome.closed_s < float("inf")
