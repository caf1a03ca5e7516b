"""The first thing a started daemon does is to be safe, whatever is missing and whatever the hour.

Each time a rig is found as a crash leaves it: the roof open, the mount free and tracking. What came
of it is asked of the server, by INDI's own tool.
"""

import asyncio
import os
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from nightloom.ledger import FILE_NAME
from nightloom_drivers.clock import WallClock
from nightloom_drivers.devices import Mount, MountSettings, Roof, RoofSettings
from nightloom_drivers.link.indi import IndiLink
from rig.daemon import Daemon, nightloom, running
from rig.observatory import DRIVERS, ask, configure, park_near, simulators
from servers import Server, free_port

pytestmark = pytest.mark.rig

SAFE_S_MAX = 120.0
"""Parking takes the simulator up to 30 s, its roof 6 s."""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with simulators(tmp_path_factory.mktemp("rig") / "home") as server:
        yield server


@pytest.fixture
def config(tmp_path: Path, server: Server) -> Path:
    """A configuration for the rig that a crash has left."""
    place = configure(tmp_path / "config", tmp_path / "out", server.port, cycles=100)
    park_near(server, place)
    leave_open(server)
    return tmp_path / "config"


def leave_open(server: Server) -> None:
    """Open the roof, free the mount and have it track."""

    async def leave() -> None:
        async with IndiLink("127.0.0.1", server.port) as link:
            mount = Mount(link, "Telescope Simulator", MountSettings(), WallClock())
            roof = Roof(link, "Dome Simulator", RoofSettings(), WallClock())
            for device in (mount, roof):
                await device.connect()
            await roof.open()
            await mount.unpark()
            await mount.track(True)

    asyncio.run(leave())
    assert not is_safe(server)


def is_safe(server: Server) -> bool:
    """Parked, not tracking, and closed, as the server says."""
    return [
        ask(server, f"{one}.{element}")
        for one, element in (
            ("Telescope Simulator.TELESCOPE_PARK", "PARK"),
            ("Telescope Simulator.TELESCOPE_TRACK_STATE", "TRACK_OFF"),
            ("Dome Simulator.DOME_SHUTTER", "SHUTTER_CLOSE"),
        )
    ] == ["On", "On", "On"]


def by_day(config: Path) -> None:
    """Half a turn of the Earth away it is noon."""
    file = config / "observatory.toml"
    lines = file.read_text().splitlines()
    (line,) = [one for one in lines if one.startswith("longitude_deg")]
    opposite_deg = (float(line.split("=")[1]) + 360.0) % 360.0 - 180.0
    lines[lines.index(line)] = f"longitude_deg = {opposite_deg:.4f}"
    file.write_text("\n".join(lines) + "\n")


def refused(config: Path) -> str:
    """What a start that cannot work says, with exit status 2."""
    command = nightloom("run", "--config", config)
    done = subprocess.run(command, capture_output=True, text=True, timeout=SAFE_S_MAX)
    assert done.returncode == 2, done.stderr
    return done.stderr.splitlines()[-1]


def test_by_day_after_a_crash(config: Path, server: Server) -> None:
    by_day(config)
    with running(config) as daemon:
        daemon.until(lambda d: bool(d.of("night_armed")), SAFE_S_MAX)
        assert is_safe(server)
        assert daemon.of("mount_parked", "roof_closed", "night_armed")[-1]["event"] == "night_armed"
        daemon.signal(signal.SIGTERM)
        assert daemon.ended(30.0) == 0


def test_at_night_with_a_device_missing(config: Path, server: Server) -> None:
    file = config / "observatory.toml"
    file.write_text(file.read_text().replace('"Focuser Simulator"', '"Focuser"'))
    assert 'focuser.device = "Focuser" is not there' in refused(config)
    assert is_safe(server)


def test_with_a_ledger_that_does_not_open(config: Path, tmp_path: Path, server: Server) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / FILE_NAME).write_bytes(b"no ledger" * 1000)
    assert str(tmp_path / "out" / FILE_NAME) in refused(config)
    assert is_safe(server)


def test_a_night_ends_parked_and_closed_when_it_is_told_to_with_nobody_listening(
    config: Path, server: Server
) -> None:
    """As when a terminal is closed, or whoever read the log has gone."""
    hears, speaks = os.pipe()
    terminal, its_other_end = os.openpty()
    process = subprocess.Popen(
        nightloom("run", "--config", config),
        stdin=its_other_end,
        stdout=speaks,
        stderr=speaks,
        start_new_session=True,
    )
    os.close(speaks)
    os.close(its_other_end)
    with os.fdopen(hears, "rb") as heard:
        while b'"night_begun"' not in heard.readline():
            assert process.poll() is None
    process.send_signal(signal.SIGHUP)
    assert process.wait(SAFE_S_MAX) == 0
    os.close(terminal)
    assert is_safe(server)


def test_a_rig_obeys_one_daemon_whatever_its_folders(config: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    for name in ("observatory", "targets", "policies"):
        text = (config / f"{name}.toml").read_text()
        text = text.replace(str(tmp_path / "out"), str(tmp_path / "elsewhere"))
        (other / f"{name}.toml").write_text(text.replace("127.0.0.1", "localhost"))
    with running(config) as daemon:
        daemon.until(lambda d: bool(d.of("night_begun")), SAFE_S_MAX)
        assert "a rig obeys one" in refused(other)
        daemon.interrupt()
        assert daemon.ended(SAFE_S_MAX) == 0


def test_before_its_server_is_up(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    port = free_port()
    command = ["indiserver", "-p", str(port), "-u", f"{home}/socket", *DRIVERS]
    server = Server(command, home, port)
    configure(tmp_path, tmp_path / "out", port, cycles=100)
    by_day(tmp_path)
    with running(tmp_path) as daemon:
        daemon.until(lambda d: bool(d.of("server_awaited")), 60.0)
        with server.running():
            daemon.until(lambda d: bool(d.of("night_armed")), SAFE_S_MAX)
            assert is_safe(server)
            takes_a_changed_configuration(tmp_path, daemon)
            daemon.interrupt()
            assert daemon.ended(SAFE_S_MAX) == 0


def takes_a_changed_configuration(config: Path, daemon: Daemon) -> None:
    """By a signal, as it has no terminal, and by a request; what is wrong changes nothing."""
    policies = config / "policies.toml"
    policies.write_text(policies.read_text().replace("points = 7", "points = 9"))
    daemon.signal(signal.SIGHUP)
    daemon.until(lambda d: bool(d.of("operator_asked")), 30.0)
    (told,) = daemon.of("operator_asked")
    assert (told["request"], told["origin"]) == ("reload", "signal")
    assert told["answer"] == "Taken from now on: policies.toml: focus.points."
    policies.write_text(policies.read_text().replace("points = 9", "points = 11"))
    observatory = config / "observatory.toml"
    observatory.write_text(observatory.read_text().replace("slew_settle_s = 1.0", "sync = true"))
    done = subprocess.run(
        nightloom("reload", "--config", config), capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == (
        "Taken from now on: policies.toml: focus.points. Left until the daemon is started anew:"
        " observatory.toml: mount.slew_settle_s.\n"
    )
    policies.write_text(policies.read_text().replace("points = 11", "points = 8"))
    daemon.signal(signal.SIGHUP)
    daemon.until(lambda d: len(d.of("operator_asked")) == 3, 30.0)
    assert "focus.points = 8 must be odd" in daemon.of("operator_asked")[-1]["answer"]
    policies.write_text(policies.read_text().replace("points = 8", "points = 7"))


def test_a_server_that_never_comes_is_no_rig_made_safe(tmp_path: Path) -> None:
    configure(tmp_path, tmp_path / "out", free_port(), cycles=100)
    with running(tmp_path) as daemon:
        daemon.until(lambda d: bool(d.of("server_awaited")), 60.0)
        daemon.interrupt()
        assert daemon.ended(60.0) == 1
        assert "not known" in daemon.other[-1]
