"""`nightloom offsets measure` on the INDI library's C++ simulators."""

import json
import os
import subprocess
from pathlib import Path

import pytest

from nightloom.ledger import FILE_NAME, Ledger
from rig.daemon import nightloom
from rig.observatory import BEST_FOCUS_STEPS, ask, configure, simulators

pytestmark = [pytest.mark.rig, pytest.mark.long]  # tests/cli/test_offsets_command.py is its sister

WITHIN_S = 400.0


def test_offsets_are_measured_on_the_cpp_rig(tmp_path: Path) -> None:
    """Two filters, forth and back: the simulators' filters have no offsets, whatever is configured.

    Their stars grow in leaps, by whole pixels, so that a vertex is known to 200 steps only; the
    errors say so, and what is learned is not used.
    """
    config, output = tmp_path / "config", tmp_path / "out"
    with simulators(tmp_path / "home") as server:
        configure(config, output, server.port, cycles=1)
        done = subprocess.run(
            nightloom("offsets", "measure", "--config", config, "--filters", "R,G", "--json"),
            env={**os.environ, "HOME": str(config)},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=WITHIN_S,
            check=False,
        )
        assert done.returncode == 0, done.stderr[-3000:]
        parked = ask(server, "Telescope Simulator.TELESCOPE_PARK.PARK")
    assert parked == "On"
    with Ledger.read(output / FILE_NAME) as ledger:
        curves = [curve for curve in ledger.curves() if curve.reason == "measuring the offsets"]
    assert [curve.filter for curve in curves] == ["R", "G", "G", "R"]
    for curve in curves:
        assert curve.accepted
        assert curve.vertex_steps == pytest.approx(BEST_FOCUS_STEPS, abs=300)
    green = json.loads(done.stdout)["filters"]["G"]
    assert (green["curves"], green["verdict"], green["used_steps"]) == (2, "thin", 40.0)
    assert abs(green["learned_steps"]) < 2 * green["error_steps"]
