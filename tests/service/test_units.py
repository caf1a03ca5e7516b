"""The units, as systemd itself judges them."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

UNITS = Path(__file__).parents[2] / "systemd"
INSTALLED = "/opt/nightloom/bin/nightloom"
EXPOSURE_MAX = 2.0
"""Of ten, by systemd's own reckoning."""

NAMES = ["nightloom.service", "nightloom-indi.service"]


def analyzed(*words: str | Path) -> str:
    ran = subprocess.run(
        ["systemd-analyze", *map(str, words)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return ran.stdout + ran.stderr


@pytest.mark.parametrize("name", NAMES)
def test_a_unit_is_clean(tmp_path: Path, name: str) -> None:
    """With a daemon where the install puts one."""
    unit = tmp_path / name
    text = (UNITS / name).read_text()
    unit.write_text(text.replace(INSTALLED, str(Path(sys.executable).with_name("nightloom"))))
    assert analyzed("verify", "--man=no", unit) == ""


@pytest.mark.parametrize("name", NAMES)
def test_a_unit_is_locked_down(name: str) -> None:
    said = analyzed("security", "--offline=true", UNITS / name)
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", said)
    assert found is not None, said
    assert float(found[1]) <= EXPOSURE_MAX


@pytest.mark.parametrize("script", ["systemd/install.sh", "systemd/uninstall.sh"])
def test_who_is_not_root_is_told_so(script: str) -> None:
    ran = subprocess.run(
        ["setpriv", "--reuid=65534", "--clear-groups", "--regid=65534", "sh"],
        input=(UNITS.parent / script).read_text().replace('cd "$(dirname "$0")/.."', ""),
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert ran.returncode == 2
    assert "must be run as root" in ran.stderr
