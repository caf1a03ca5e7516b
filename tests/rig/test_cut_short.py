"""What cuts a night short on the C++ simulators: a server that dies in a sub, and a person."""

import threading
from pathlib import Path

import pytest

from nightloom.ledger import FILE_NAME, Ledger
from rig.daemon import Daemon, Line, running
from rig.observatory import TIME_FACTOR, ask, configure, simulators, tell_simulators

pytestmark = pytest.mark.rig

SUB_S, AWAY_S = 60.0, 20.0
READY_S_MAX, AGAIN_S_MAX, PARK_S_MAX = 150.0, 150.0, 60.0


def kept(daemon: Daemon) -> list[Line]:
    return daemon.of("frame_accepted")


def test_a_night_outlives_its_server_and_ends_when_asked(tmp_path: Path) -> None:
    """The server is killed in the middle of a sub, with all its drivers, and is away for 20 s.

    The sub counts nowhere, and the night goes on with what the drivers have forgotten. A person
    then ends it in another sub.
    """
    config, output = tmp_path / "config", tmp_path / "out"
    with simulators(tmp_path / "home") as server:
        configure(config, output, server.port, cycles=100, sub_s=SUB_S, start_steps=37500)
        with running(config) as daemon:
            daemon.until(lambda d: len(kept(d)) >= 1, READY_S_MAX)
            before = len(daemon.of("sub_begun"))
            daemon.until(lambda d: len(d.of("sub_begun")) > before, 30)
            cut = daemon.of("sub_begun")[-1]["uid"]
            threading.Event().wait(SUB_S * TIME_FACTOR / 2)
            server.kill()
            threading.Event().wait(AWAY_S)
            server.start()
            tell_simulators(server)
            count = len(kept(daemon))
            daemon.until(lambda d: len(kept(d)) >= count + 2, AGAIN_S_MAX)
            begun = len(daemon.of("sub_begun"))
            daemon.until(lambda d: len(d.of("sub_begun")) > begun, 30)
            stopped = daemon.of("sub_begun")[-1]["uid"]
            daemon.interrupt()
            assert daemon.ended(PARK_S_MAX) == 0, daemon.story()
        assert ask(server, "Telescope Simulator.TELESCOPE_PARK.PARK") == "On"
        assert ask(server, "Dome Simulator.DOME_SHUTTER.SHUTTER_CLOSE") == "On"

    cancelled = [line["uid"] for line in daemon.of("sub_cancelled")]
    assert cancelled == [cut, stopped]
    assert {line["kind"] for line in daemon.of("device_trouble")} == {"is gone"}
    assert daemon.of("unexpected_error", "frame_rejected") == []
    assert daemon.of("operator_asked")[0]["origin"] == "signal"
    with Ledger.read(output / FILE_NAME) as ledger:
        frames = [frame.uid for frame in ledger.frames()]
        assert ledger.unfinished() == []
    assert frames == [line["uid"] for line in kept(daemon)]
    assert not {cut, stopped} & set(frames)
    written = list((output / "frames").rglob("*.fits"))
    assert len(written) == len(frames)
