"""Through the meridian on the INDI library's telescope simulator, a German mount in C++."""

import subprocess
from pathlib import Path

import pytest

from rig.daemon import Daemon, Line, nightloom, running
from rig.observatory import TOLERANCE_ARCSEC, ask, configure, simulators
from rig.showers import held_against, shower, weather

pytestmark = [pytest.mark.rig, pytest.mark.long]  # tests/night/test_meridian.py is its sister

BEFORE_DEG = 0.4
"""By coordinates of J2000; with precession the target passes three minutes after the start."""

CROSSED_S_MAX, KEPT_S_MAX, PARK_S_MAX = 400.0, 120.0, 60.0
SETTINGS = """[mount]
hour_angle_pier_west_h = [-6.0, 0.0]
flip_after_h = 0.003
"""


def kept(daemon: Daemon) -> list[Line]:
    return daemon.of("frame_accepted")


def test_the_cpp_mount_crosses_the_meridian(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It flips when told to, its cameras turn over, and subs go on from the other side."""
    monkeypatch.setattr("rig.observatory.EAST_OF_MERIDIAN_DEG", BEFORE_DEG)
    config, output = tmp_path / "config", tmp_path / "out"
    with simulators(tmp_path / "home") as server:
        configure(config, output, server.port, cycles=100, start_steps=37500)
        file = config / "observatory.toml"
        file.write_text(file.read_text().replace("[mount]\n", SETTINGS))
        with running(config) as daemon:
            daemon.until(lambda d: bool(d.of("crossed")), CROSSED_S_MAX)
            before = len(kept(daemon))
            daemon.until(lambda d: len(kept(d)) >= before + 3, KEPT_S_MAX)
            side = ask(server, "Telescope Simulator.TELESCOPE_PIER_SIDE.PIER_EAST")
            daemon.interrupt()
            assert daemon.ended(PARK_S_MAX) == 0, daemon.story()

    assert before >= 3
    assert side == "On"
    (crossed,) = daemon.of("crossed")
    assert (crossed["before"], crossed["after"]) == ("west", "east")
    assert crossed["took_s"] <= 240.0
    assert (
        daemon.of("crossing_refused", "device_trouble", "unexpected_error", "guard_refused") == []
    )
    turned = daemon.of("solved")[-1]["rotation_deg"] - daemon.of("solved")[0]["rotation_deg"]
    assert turned % 360 == pytest.approx(180.0, abs=1.0)
    assert daemon.of("centred")[-1]["distance_arcsec"] <= TOLERANCE_ARCSEC


def test_rain_into_a_crossing_and_into_a_pause(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mount is parked and the shutter closed from the middle of the flip; the night goes on."""
    monkeypatch.setattr("rig.observatory.EAST_OF_MERIDIAN_DEG", BEFORE_DEG)
    config, output = tmp_path / "config", tmp_path / "out"
    with simulators(tmp_path / "home", options=["-r", "0"]) as server:
        configure(config, output, server.port, cycles=100, start_steps=37500)
        file = config / "observatory.toml"
        file.write_text(file.read_text().replace("[mount]\n", SETTINGS))
        with running(config) as daemon:
            daemon.until(
                lambda d: any(line["after"] == "crossing" for line in d.of("phase_changed")[-1:]),
                CROSSED_S_MAX,
            )
            crossing = shower(server, daemon)
            weather(server, 0.0)
            before = len(kept(daemon))
            daemon.until(lambda d: len(kept(d)) > before, CROSSED_S_MAX)
            subprocess.run(
                nightloom("pause", "--config", config), check=True, capture_output=True, timeout=60
            )
            pause = shower(server, daemon)
            daemon.interrupt()
            assert daemon.ended(PARK_S_MAX) == 0, daemon.story()

    assert (crossing.phase, held_against(crossing)) == ("crossing", [])
    assert (pause.phase, held_against(pause)) == ("pausing", [])
    assert daemon.of("unexpected_error") == []
