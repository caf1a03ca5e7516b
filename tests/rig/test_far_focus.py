"""The focus of a rig that was left far out of it, found on the INDI library's C++ simulators."""

from pathlib import Path

import pytest

from rig.daemon import running
from rig.observatory import BEST_FOCUS_STEPS, configure, simulators

pytestmark = [pytest.mark.rig, pytest.mark.long]  # tests/focusing/test_focus_runs.py is its sister

AWAY_STEPS = 20_000


def test_a_focus_twenty_thousand_steps_away_is_found(tmp_path: Path) -> None:
    """From the stars' growth alone, in some scans; to within 300 steps."""
    config, start = tmp_path / "config", BEST_FOCUS_STEPS + AWAY_STEPS
    with simulators(tmp_path / "home") as server:
        configure(config, tmp_path / "out", server.port, cycles=1, start_steps=start)
        with running(config, "--nights", "1") as daemon:
            daemon.until(lambda heard: bool(heard.of("focus_curve")), 300.0)
            (curve,) = daemon.of("focus_curve")
    assert curve["accepted"], curve
    assert curve["vertex_steps"] == pytest.approx(BEST_FOCUS_STEPS, abs=300)
