"""Through the meridian on the INDI library's telescope simulator, a German mount in C++."""

from pathlib import Path

import pytest

from rig.daemon import Daemon, Line, running
from rig.observatory import TOLERANCE_ARCSEC, ask, configure, simulators
from rig.test_rain import DONE_S, in_phase, shower, weather

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


def soon_past_the_meridian(config: Path) -> None:
    file = config / "observatory.toml"
    file.write_text(file.read_text().replace("[mount]\n", SETTINGS))


def test_rain_in_the_crossing_finds_the_mount_parked_and_then_the_roof_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the telescope turns over; the night goes on from the other side when it is dry."""
    monkeypatch.setattr("rig.observatory.EAST_OF_MERIDIAN_DEG", BEFORE_DEG)
    config = tmp_path / "config"
    with simulators(tmp_path / "home") as server:
        configure(config, tmp_path / "out", server.port, cycles=100, start_steps=37500)
        soon_past_the_meridian(config)
        with running(config) as daemon:
            daemon.until(in_phase("crossing"), CROSSED_S_MAX)
            seen = shower(server, daemon)
            weather(server, 0.0)
            before = len(kept(daemon))
            daemon.until(lambda d: len(kept(d)) > before, CROSSED_S_MAX)
            side = ask(server, "Telescope Simulator.TELESCOPE_PIER_SIDE.PIER_EAST")
            daemon.interrupt()
            assert daemon.ended(PARK_S_MAX) == 0, daemon.story()
    assert (seen.phase, seen.open_before, seen.parked_before) == ("crossing", True, False)
    assert not seen.passed_free_mount
    assert seen.parked_s <= seen.closed_s < DONE_S
    assert side == "On"


def test_the_cpp_mount_crosses_the_meridian(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It flips when told to, its cameras turn over, and subs go on from the other side."""
    monkeypatch.setattr("rig.observatory.EAST_OF_MERIDIAN_DEG", BEFORE_DEG)
    config, output = tmp_path / "config", tmp_path / "out"
    with simulators(tmp_path / "home") as server:
        configure(config, output, server.port, cycles=100, start_steps=37500)
        soon_past_the_meridian(config)
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
