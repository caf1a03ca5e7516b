"""A night with the configuration that was drafted from the devices, and nothing else known.

Only what the drafted comments ask for is written, and guesses that do not fit are corrected.
"""

import sys
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from nightloom.ledger import FILE_NAME, Ledger
from rig.daemon import running
from rig.drafted import correct, drafted, fill_in
from rig.observatory import LATITUDE_DEG, Place, midnight, park_near, simulators
from servers import Server, free_port

pytestmark = [pytest.mark.rig, pytest.mark.long]  # tests/cli/test_check_servers.py is its sister

SUB_S = 30.0

STEP_UM = 0.07
"""What the C++ simulator's stars grow by is as if its steps were so short."""

NIGHT_S_MAX = 1800.0


def night(config: Path, output: Path) -> list[str]:
    """Let the daemon keep three subs, and end; the filters of those."""
    correct(config, {"output_folder": ('"~/nightloom"', f'"{output}"')})
    with running(config, "--nights", "1") as daemon:
        daemon.until(lambda d: len(d.of("frame_accepted")) >= 3, NIGHT_S_MAX)
        daemon.interrupt()
        assert daemon.ended(NIGHT_S_MAX) == 0, daemon.story()
        assert daemon.of("mount_parked", "roof_closed")[-1]["event"] == "roof_closed"
    with Ledger.read(output / FILE_NAME) as ledger:
        return [frame.filter for frame in ledger.frames() if frame.verdict == "accepted"][:3]


def full_field(place: Place, filters: tuple[str, ...]) -> str:
    """The place, through each of the filters in turn."""
    where = f"ra_deg = {place.ra_deg}\ndec_deg = {place.dec_deg}\n"
    subs = "".join(f"[target.filter.{name}]\nexposure_s = {SUB_S}\n" for name in filters)
    return f'[[target]]\nname = "Full Field"\n{where}{subs}'


def test_a_night_with_what_was_drafted_from_the_cpp_simulators(tmp_path: Path) -> None:
    config, place, filters = tmp_path / "config", midnight(), ("Blue", "Green", "Red")
    with simulators(tmp_path / "home") as server:
        park_near(server, place)  # and so the mount is told where it stands
        drafted(config, server.port)
        asked = {"step_um": STEP_UM, "wavelength_nm": 550.0}
        fill_in(config, asked, full_field(place, filters))
        correct(config, {"target_temperature_c": ("-10.0", "-1.0")})
        assert sorted(night(config, tmp_path / "out")) == list(filters)


OUR_RIG = """
stars = "tycho2"
star_limit_mag = 12.0
[site]
latitude_deg = {latitude_deg}
longitude_deg = {longitude_deg}
elevation_m = 100.0
[optics]
focal_length_mm = 300.0
aperture_mm = 75.0
[sensor]
pixel_um = 5.2
[weather]
mean_temperature_c = 2.0
daily_swing_c = 0.0
"""
"""A short telescope, whose field the solver's index files cover."""


def our_rig(home: Path, place: Place) -> AbstractContextManager[Server]:
    """`nightloom-rig` on a port, where it is midnight."""
    home.mkdir()
    settings = {"latitude_deg": LATITUDE_DEG, "longitude_deg": place.longitude_deg}
    (home / "rig.toml").write_text(OUR_RIG.format(**settings))
    port = free_port()
    call = "import sys; from nightloom_drivers.serve import main; sys.exit(main())"
    command = [sys.executable, "-c", call, "--port", str(port), "--config", str(home)]
    return Server(command, home, port).running()


def test_a_night_with_what_was_drafted_from_our_own_rig(tmp_path: Path) -> None:
    config, place, filters = tmp_path / "config", midnight(), ("B", "L", "R")
    with our_rig(tmp_path / "home", place) as server:
        drafted(config, server.port)
        fill_in(config, {"step_um": 2.0}, full_field(place, filters))
        correct(config, {"target_temperature_c": ("-10.0", "0.0")})
        kept = night(config, tmp_path / "out")
    # Its filters focus elsewhere, which nobody has measured: a sub or two of some is refused.
    assert len(kept) == 3
    assert 2 <= len(set(kept)) <= 3
