"""What cuts a night short on the C++ simulators: a server, a driver or a person, each in a sub."""

import threading
from pathlib import Path

import pytest

from nightloom.ledger import FILE_NAME, Ledger
from rig.daemon import Daemon, Line, running
from rig.observatory import (
    TIME_FACTOR,
    ask,
    calibrated,
    configure,
    park_near,
    simulators,
    tell_simulators,
)
from servers import Server

pytestmark = pytest.mark.rig

SUB_S, AWAY_S = 60.0, 20.0
FOUND_S = 15.0
"""A server that is back is tried for each 5 s; starting takes it a second or two."""
READY_S_MAX, AGAIN_S_MAX, PARK_S_MAX = 150.0, 150.0, 60.0


def kept(daemon: Daemon) -> list[Line]:
    return daemon.of("frame_accepted")


def in_mid_sub(daemon: Daemon) -> str:
    """Wait for the middle of the next sub; its name."""
    before = len(daemon.of("sub_begun"))
    daemon.until(lambda d: len(d.of("sub_begun")) > before, 60)
    threading.Event().wait(SUB_S * TIME_FACTOR / 2)
    return str(daemon.of("sub_begun")[-1]["uid"])


def goes_on(server: Server, daemon: Daemon, subs: int) -> None:
    """With what the drivers have forgotten told again, so many more frames are kept."""
    tell_simulators(server)
    count = len(kept(daemon))
    daemon.until(lambda d: len(kept(d)) >= count + subs, AGAIN_S_MAX)


def outlived(tmp_path: Path, away_s: float) -> Daemon:
    """A night whose server dies in a sub, whose camera's driver dies in another, and that a person
    ends in a third; what it kept is on disk and in the ledger, and the rig is safe.
    """
    config, output = tmp_path / "config", tmp_path / "out"
    with simulators(tmp_path / "home") as server:
        place = configure(config, output, server.port, cycles=100, sub_s=SUB_S, start_steps=37500)
        park_near(server, place)
        calibrated(output, place)
        with running(config) as daemon:
            daemon.until(lambda d: len(kept(d)) >= 1, READY_S_MAX)
            cut = [in_mid_sub(daemon)]
            server.kill()
            threading.Event().wait(away_s)
            server.start()
            goes_on(server, daemon, 1)
            cut.append(in_mid_sub(daemon))
            server.kill_driver("indi_simulator_ccd")
            goes_on(server, daemon, 1)
            cut.append(in_mid_sub(daemon))
            daemon.interrupt()
            assert daemon.ended(PARK_S_MAX) == 0, daemon.story()
        assert ask(server, "Telescope Simulator.TELESCOPE_PARK.PARK") == "On"
        assert ask(server, "Dome Simulator.DOME_SHUTTER.SHUTTER_CLOSE") == "On"

    cancelled = [line["uid"] for line in daemon.of("sub_cancelled")]
    assert cancelled == cut
    assert {line["kind"] for line in daemon.of("device_trouble")} == {"is gone"}
    assert daemon.of("unexpected_error", "frame_rejected") == []
    assert daemon.of("operator_asked")[0]["origin"] == "signal"
    with Ledger.read(output / FILE_NAME) as ledger:
        frames = [frame.uid for frame in ledger.frames()]
        assert ledger.unfinished() == []
    assert frames == [line["uid"] for line in kept(daemon)]
    assert not set(cut) & set(frames)
    written = list((output / "frames").rglob("*.fits"))
    assert len(written) == len(frames)
    (lost,), (back,) = daemon.of("link_lost"), daemon.of("link_back")
    assert lost["utc"] < back["utc"]
    assert away_s <= back["after_s"] <= away_s + FOUND_S
    return daemon


def test_a_night_outlives_its_server_and_its_camera_and_ends_when_asked(tmp_path: Path) -> None:
    """The server is killed with all its drivers, and is away for 20 s."""
    assert outlived(tmp_path, AWAY_S).of("link_away") == []


@pytest.mark.long
def test_a_night_outlives_a_server_that_is_away_for_two_minutes(tmp_path: Path) -> None:
    away = [line["for_s"] for line in outlived(tmp_path, 120.0).of("link_away")]
    assert away == pytest.approx([30.0, 90.0], abs=1.0)
