"""A night with the configuration that was drafted from the C++ simulators, and nothing else known.

Only what the drafted comments ask for is written, and two guesses are corrected.
"""

from pathlib import Path

import pytest

from nightloom.ledger import FILE_NAME, Ledger
from rig.daemon import running
from rig.drafted import correct, drafted, fill_in
from rig.observatory import midnight, park_near, simulators

pytestmark = [pytest.mark.rig, pytest.mark.long]  # tests/cli/test_check_servers.py is its sister

SUB_S = 30.0

STEP_UM = 0.07
"""What the simulator's stars grow by is as if its steps were so short."""


def test_a_night_with_what_was_drafted(tmp_path: Path) -> None:
    config, output = tmp_path / "config", tmp_path / "out"
    place = midnight()
    subs = "".join(
        f"[target.filter.{name}]\nexposure_s = {SUB_S}\nwanted_hours = {SUB_S / 3600:.6f}\n"
        for name in ("Red", "Green", "Blue")
    )
    targets = (
        f'[[target]]\nname = "Full Field"\nra_deg = {place.ra_deg:.5f}\ndec_deg = {place.dec_deg}\n'
    )
    with simulators(tmp_path / "home") as server:
        park_near(server, place)  # and so the mount is told where it stands
        drafted(config, server.port)
        text = (config / "observatory.toml").read_text()
        assert f"longitude_deg = {place.longitude_deg:.6g}"[:20] in text
        fill_in(config, {"step_um": STEP_UM, "wavelength_nm": 550.0}, targets + subs)
        correct(
            config,
            {
                "output_folder": ('"~/nightloom"', f'"{output}"'),
                "target_temperature_c": ("-10", "-1.0"),
            },
        )
        with running(config, "--nights", "1") as daemon:
            assert daemon.ended(1500.0) == 0, daemon.story()
    with Ledger.read(output / FILE_NAME) as ledger:
        kept = [frame.filter for frame in ledger.frames() if frame.verdict == "accepted"]
    assert sorted(kept) == ["Blue", "Green", "Red"]
