"""`nightloom calibrate fill` on the INDI library's C++ simulators."""

import json
import os
import subprocess
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from night.shelves import lights
from nightloom_drivers.clock import WallClock
from rig.daemon import nightloom
from rig.observatory import ask, configure, simulators

pytestmark = [pytest.mark.rig, pytest.mark.long]  # tests/night/test_library_by_day.py is its sister

WITHIN_S = 300.0

FEW = """
[calibration]
biases = 2
darks = 3
flats = 0
"""


def test_darks_and_biases_of_the_cpp_camera_are_kept(tmp_path: Path) -> None:
    config, output = tmp_path / "config", tmp_path / "out"
    with simulators(tmp_path / "home") as server:
        configure(config, output, server.port, cycles=1)
        with (config / "policies.toml").open("a") as policies:
            policies.write(FEW)
        began = WallClock().now() - timedelta(hours=12)
        lights(output, "R", exposure_s=20.0, sensor_c=-1.0, began=began, gain=90.0, offset=0.0)
        done = subprocess.run(
            nightloom("calibrate", "fill", "--config", config, "--json"),
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
    told = json.loads(done.stdout)
    assert [one["kind"] for one in told["frames"]] == ["bias"] * 2 + ["dark"] * 3
    for one in told["frames"]:
        pixels, header = fits.getdata(output / "calibration" / one["path"], header=True)
        assert header["IMAGETYP"] == one["kind"].upper()
        assert np.median(pixels) == pytest.approx(one["level_adu"], abs=1.0)
