"""The star answers that the C++ camera simulators read."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from astropy.coordinates import SkyCoord

PROGRAM = Path(__file__).with_name("gsc.py")


def ask(*words: str) -> list[str]:
    """Ask as the simulators do, through a shell's search path."""
    environment = os.environ | {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    told = subprocess.run(
        [PROGRAM, *words], env=environment, capture_output=True, text=True, check=True
    )
    return told.stdout.splitlines()


@pytest.mark.servers
def test_each_line_is_what_the_simulators_scan() -> None:
    """Twelve words, of which sscanf("%10s %f %f %f %f %f %d %d %4s %2s %f %d") takes each."""
    lines = ask(*["-c", "310.357980", "+45.280339", "-r", "48.8", "-m", "0", "11.00", "-n", "3000"])
    real, whole = r"[-+]?\d+\.\d+", r"\d+"
    words = [r"\S{1,10}", *[real] * 5, whole, whole, r"\S{1,4}", r"\S{1,2}", real, whole]
    assert len(lines) > 50
    assert all(re.fullmatch(r"\s*" + r"\s+".join(words), line) for line in lines)


@pytest.mark.servers
def test_the_stars_are_inside_and_brightest_first() -> None:
    """South of the equator, where the simulators write a minus sign."""
    lines = ask(*["-c", "83.820000", "-5.390000", "-r", "30.0", "-m", "5", "9.00", "-n", "10"])
    rows = [[float(word) for word in line.split()[1:5]] for line in lines]
    ra, dec, _, mag = zip(*rows, strict=True)
    centre = SkyCoord(83.82, -5.39, unit="deg")
    assert centre.separation(SkyCoord([*ra], [*dec], unit="deg")).arcmin.max() <= 30
    assert len(mag) == 10
    assert list(mag) == sorted(mag)
    assert 5 <= mag[0] <= mag[-1] <= 9
