"""INDI servers for tests: each with its own folder and port, and gone when its block ends."""

import contextlib
import os
import signal
import socket
import subprocess
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from nightloom.sky import sidereal_deg
from nightloom_drivers.clock import WallClock

READY_S_MAX = 20.0


def free_port() -> int:
    """A TCP port that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Server:
    """A server program in a process group of its own, listening on `port`.

    It can be killed, paused and started again; `log` is what it and its drivers have written.
    """

    def __init__(
        self,
        command: Sequence[str],
        home: Path,
        port: int,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self.command, self.home, self.port = list(command), home, port
        self.log = home / "server.log"
        self._environment = {**os.environ, **(environment or {}), "HOME": str(home)}
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it accepts connections."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                self.command,
                cwd=self.home,
                env=self._environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        pause = threading.Event()
        for _ in range(int(READY_S_MAX / 0.02)):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            if self._process.poll() is not None:
                break
            pause.wait(0.02)
        raise RuntimeError(f"{self.command} does not listen: {self.log.read_text()[-2000:]}")

    def kill(self) -> None:
        """End it and all it has started, at once."""
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
            self._process = None

    def kill_driver(self, program: str) -> None:
        """End one driver at once, by its program's name. Raises ValueError unless it runs once."""
        assert self._process is not None
        server = self._process.pid
        children = Path(f"/proc/{server}/task/{server}/children").read_text().split()
        (driver,) = [
            int(child)
            for child in children
            if Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0")[0].decode() == program
        ]
        os.kill(driver, signal.SIGKILL)

    def signal(self, number: signal.Signals) -> None:
        """Send a signal to the server alone, not to its drivers."""
        assert self._process is not None
        self._process.send_signal(number)

    @contextlib.contextmanager
    def running(self) -> Iterator["Server"]:
        """Run it for the block."""
        try:
            self.start()
            yield self
        finally:
            self.kill()


def indiserver(
    drivers: Sequence[str],
    home: Path,
    *,
    path_extra: Sequence[Path] = (),
    options: Sequence[str] = (),
) -> contextlib.AbstractContextManager[Server]:
    """The C server with these drivers; folders of `path_extra` come before the PATH.

    `home` takes the drivers' saved settings, and must be the test's own.
    """
    port = free_port()
    command = ["indiserver", "-p", str(port), "-u", f"{home}/socket", *options, *drivers]
    path = os.pathsep.join([*map(str, path_extra), os.environ["PATH"]])
    return Server(command, home, port, {"PATH": path}).running()


def west_of_the_meridian_h(hours: float, longitude_deg: float) -> float:
    """The right ascension that is so far past the meridian now.

    Where it stands decides on which side of the pier a German mount is, and so whether its north
    is up: a fixed one would make a test depend on the time of day.
    """
    sidereal_h = float(sidereal_deg(WallClock().unix_s(), longitude_deg)) / 15.0
    return (sidereal_h - hours) % 24.0
