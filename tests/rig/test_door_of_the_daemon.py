"""What persons ask of the daemon process over its socket, on the C++ simulators."""

import json
import signal
import stat
import subprocess
import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import numpy as np
import pytest

from nightloom.far_daemon import Daemon as FarDaemon
from nightloom.ledger import FILE_NAME, Ledger
from nightloom.requests import Ask, Done, Pause, Refused, Request, Resume, Skip, Told
from nightloom.requests.afar import call_afar
from nightloom.requests.call import call
from nightloom.requests.door import FOLDER, SOCKET
from nightloom_drivers.clock import real_monotonic_s
from remote.halls import TOKEN, with_token
from rig.daemon import Daemon, Line, nightloom, running
from rig.observatory import ask, calibrated, configure, park_near, simulators
from rig.test_safe_start import by_day, is_safe, leave_open
from servers import Server

pytestmark = pytest.mark.rig

EFFECTIVE_S = 1.0
READY_S_MAX, SAFE_S_MAX = 150.0, 120.0

SUB_S = 60.0
"""3 s of real time: see TIME_FACTOR."""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with simulators(tmp_path_factory.mktemp("rig") / "home") as server:
        yield server


def utc_s(line: Line) -> float:
    return datetime.fromisoformat(line["utc"]).timestamp()


def asked(place: Path | FarDaemon, request: Request) -> Any:
    """The answer, which comes within a second."""
    began_s = real_monotonic_s()
    answer = call(place, request) if isinstance(place, Path) else call_afar(place, request)
    assert real_monotonic_s() - began_s < EFFECTIVE_S
    return answer


def moved_on(daemon: Daemon, from_index: int, *phases: str, origin: str = "process ") -> float:
    """Wait for the move that a request brings; how long after the request it came."""

    def moves(d: Daemon) -> list[Line]:
        later = d.events[from_index:]
        return [one for one in later if one["event"] == "phase_changed" and one["after"] in phases]

    daemon.until(lambda d: bool(moves(d)), 10.0)
    move = moves(daemon)[0]
    before = daemon.events[from_index : daemon.events.index(move)]
    request = [one for one in before if one["event"] == "operator_asked"][-1]
    assert origin in request["origin"]
    return utc_s(move) - utc_s(request)


def wait(seconds: float) -> None:
    threading.Event().wait(seconds)


@pytest.mark.parametrize("requests", [6, pytest.param(20, marks=pytest.mark.long)])
def test_requests_over_the_door(tmp_path: Path, server: Server, requests: int) -> None:
    """At random moments of a night, by the socket and over HTTP, each in force within a second;
    then a crash in a pause, and a night that is ended, and stays so."""
    config, output = tmp_path / "config", tmp_path / "out"
    place = configure(config, output, server.port, cycles=100, sub_s=SUB_S, start_steps=37500)
    park_near(server, place)
    calibrated(output, place)
    policies = config / "policies.toml"
    token = f'[remote]\ntoken_file = "{with_token(tmp_path)}"\n'
    policies.write_text(policies.read_text().replace("[remote]\n", token))
    chance = np.random.default_rng(5)
    took_s: list[float] = []
    with running(config) as daemon:
        daemon.until(lambda d: bool(d.of("sub_begun")), READY_S_MAX)
        assert stat.S_IMODE((output / FOLDER / SOCKET).stat().st_mode) == 0o600
        (listening,) = daemon.of("remote_listening")
        afar = FarDaemon(listening["url"].rstrip("/"), TOKEN)
        for number in range(requests // 2):
            door, origin = ((output, "process "), (afar, "address 127.0.0.1"))[number % 2]
            wait(float(chance.uniform(0.0, 6.0)))
            at = len(daemon.events)
            assert isinstance(asked(door, Pause()), Done)
            took_s.append(moved_on(daemon, at, "pausing", origin=origin))
            wait(EFFECTIVE_S)
            told = asked(door, Ask())
            assert isinstance(told, Told)
            assert told.status.phase == "pausing"
            assert told.status.exposing is None
            assert told.status.safety is not None
            assert told.status.safety.mount in ("at rest", "parked")
            if number == 0:
                assert ask(server, "Telescope Simulator.TELESCOPE_TRACK_STATE.TRACK_OFF") == "On"
                assert isinstance(asked(afar, Pause()), Refused)
            at = len(daemon.events)
            assert isinstance(asked(door, Resume()), Done)
            took_s.append(moved_on(daemon, at, "readying", origin=origin))
        at = len(daemon.events)
        daemon.until(lambda d: any(e["event"] == "frame_accepted" for e in d.events[at:]), 60.0)
        told = asked(output, Ask())
        assert told.status.last_frame.accepted
        assert told.status.tally[0].accepted_s > 0.0
        assert isinstance(asked(output, Pause()), Done)
        daemon.until(lambda d: d.of("phase_changed")[-1]["after"] == "pausing", 10.0)
        daemon.kill()
    assert len(took_s) == requests
    assert max(took_s) <= EFFECTIVE_S

    with running(config) as daemon:  # somebody may stand at the rig
        daemon.until(lambda d: bool(d.of("phase_changed")), 60.0)
        daemon.until(lambda d: d.of("phase_changed")[-1]["after"] == "pausing", 10.0)
        wait(3.0)
        assert ask(server, "Telescope Simulator.TELESCOPE_TRACK_STATE.TRACK_OFF") == "On"
        assert ask(server, "Dome Simulator.DOME_SHUTTER.SHUTTER_OPEN") == "On"
        assert daemon.of("mount_parked", "roof_closed", "sub_begun") == []
        at = len(daemon.events)
        assert isinstance(asked(output, Resume()), Done)
        daemon.until(lambda d: any(e["event"] == "sub_begun" for e in d.events[at:]), READY_S_MAX)
        (listening,) = daemon.of("remote_listening")
        afar = FarDaemon(listening["url"].rstrip("/"), TOKEN)
        at = len(daemon.events)
        assert isinstance(asked(afar, Skip()), Done)
        took = moved_on(daemon, at, "acquiring", "readying", origin="address 127.0.0.1")
        assert took <= EFFECTIVE_S
        done = subprocess.run(
            nightloom("retire", "--now", "--json", "--config", config),
            capture_output=True,
            text=True,
            timeout=SAFE_S_MAX,
        )
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout)["safe"] is True
        assert is_safe(server)
        daemon.until(lambda d: bool(d.of("night_armed")[1:]), 60.0)
        first, second = (one["night"] for one in daemon.of("night_armed"))
        assert second > first, "a night that a person ended is not begun again"
        daemon.interrupt()
        assert daemon.ended(60.0) == 0
    assert not (output / FOLDER / SOCKET).exists()
    with Ledger.read(output / FILE_NAME) as ledger:
        assert ledger.unfinished() == []
        assert ledger.in_flight() == []


@pytest.mark.parametrize(
    "broken",
    [
        *(
            pytest.param(what, marks=pytest.mark.long)
            for what in ("nothing", "targets and policies")
        ),
        "ledger",
    ],
)
def test_the_last_resort_without_a_daemon(tmp_path: Path, server: Server, broken: str) -> None:
    """The roof is open, the mount tracks, and what it does not need may be of no use."""
    config = tmp_path / "config"
    park_near(server, configure(config, tmp_path / "out", server.port, cycles=100))
    leave_open(server)
    if broken == "targets and policies":
        for name in ("targets", "policies"):
            (config / f"{name}.toml").write_text("[[nonsense")
    if broken == "ledger":
        (tmp_path / "out").mkdir()
        (tmp_path / "out" / FILE_NAME).write_bytes(b"no ledger" * 1000)
    done = subprocess.run(
        nightloom("retire", "--now", "--config", config),
        capture_output=True,
        text=True,
        timeout=SAFE_S_MAX,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == "The rig is parked and closed.\n"
    assert is_safe(server)


def test_between_nights_it_is_made_safe_through_the_daemon(tmp_path: Path, server: Server) -> None:
    """Somebody opens the roof by day and frees the mount; the daemon is asked to see to it."""
    config = tmp_path / "config"
    park_near(server, configure(config, tmp_path / "out", server.port, cycles=100))
    by_day(config)
    with running(config) as daemon:
        daemon.until(lambda d: bool(d.of("night_armed")), SAFE_S_MAX)
        assert isinstance(asked(tmp_path / "out", Pause()), Refused)
        (listening,) = daemon.of("remote_listening")
        with urlopen(f"{listening['url']}status") as answer:
            assert json.load(answer)["phase"] == "asleep"
        with urlopen(f"{listening['url']}log?live=no&event=night_armed") as log:
            assert b"event: night_armed" in log.read(), "what comes before a night is in a log, too"
        leave_open(server)
        done = subprocess.run(
            nightloom("retire", "--now", "--config", config),
            capture_output=True,
            text=True,
            timeout=SAFE_S_MAX,
        )
        assert done.returncode == 0, done.stderr
        assert is_safe(server)
        daemon.signal(signal.SIGTERM)
        assert daemon.ended(60.0) == 0
