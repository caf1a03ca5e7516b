"""The daemon as a process of its own, heard through its log."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

Line = dict[str, Any]


def nightloom(*words: str | Path) -> list[str]:
    """The command line of the daemon under test."""
    call = "import sys; from nightloom.cli import main; sys.exit(main())"
    return [sys.executable, "-W", "error", "-c", call, *map(str, words)]


class Daemon:
    """A running `nightloom run`. What it writes to stderr that is no event stays in `other`."""

    def __init__(self, config: Path, *words: str) -> None:
        self.events: list[Line] = []
        self.other: list[str] = []
        self._news = threading.Condition()
        self._process = subprocess.Popen(
            nightloom("run", "--config", config, *words),
            env={**os.environ, "HOME": str(config)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def of(self, *kinds: str) -> list[Line]:
        """Events of these kinds, in order."""
        with self._news:
            return [line for line in self.events if line["event"] in kinds]

    def until(self, done: Callable[["Daemon"], bool], within_s: float) -> None:
        """Wait until the log shows something. Raises AssertionError with the log's end."""
        with self._news:
            came = self._news.wait_for(
                lambda: done(self) or self._process.poll() is not None, within_s
            )
        assert came, f"not within {within_s} s: {self.story()}"
        assert done(self), f"it ended before: {self.story()}"

    def interrupt(self) -> None:
        """Ask it to park and close, as Ctrl-C does."""
        self.signal(signal.SIGINT)

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal."""
        self._process.send_signal(number)

    def ended(self, within_s: float) -> int:
        """Its exit status, once it has ended. Raises AssertionError with the log's end."""
        try:
            status = self._process.wait(within_s)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"not over within {within_s} s: {self.story()}") from None
        self._reader.join()
        return status

    def story(self) -> str:
        """The log's last lines, for whoever has to find out what happened."""
        return "\n".join([*map(json.dumps, self.events[-25:]), *self.other[-40:]])

    def kill(self) -> None:
        """End it at once, with what it has started."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self._reader.join()

    def _read(self) -> None:
        assert self._process.stderr is not None
        with self._process.stderr as lines:
            for line in lines:
                with self._news:
                    if line.startswith("{"):
                        self.events.append(json.loads(line))
                    else:
                        self.other.append(line.rstrip())
                    self._news.notify_all()
        with self._news:
            self._news.notify_all()


@contextlib.contextmanager
def running(config: Path, *words: str) -> Iterator[Daemon]:
    """`nightloom run` for the block."""
    daemon = Daemon(config, *words)
    try:
        yield daemon
    finally:
        daemon.kill()
