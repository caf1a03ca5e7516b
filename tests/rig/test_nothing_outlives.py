"""After `kill -9` of the daemon nothing of it is left: no worker, no tracker, no child, whatever
that waits for.

The processes are known by a word in their environment, which children inherit.
"""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from nightloom_drivers import leash
from nightloom_drivers.clock import real_monotonic_s
from rig.daemon import nightloom

pytestmark = pytest.mark.servers

STARTED_S_MAX, GONE_S_MAX, LOOK_S = 60.0, 20.0, 0.1
ALL = ("nightloom.cli", "forkserver", "resource_tracker", "indi_child", "spawn_main")
"""In the command lines of a rehearsal over a socket: itself, the workers' parent and they, what
multiprocessing watches with, the link, and the simulated rig.
"""

LEASHED = f"setsid {sys.executable} {leash.__file__}"
SLEEPS = 'sh -c "sleep 600 & sleep 600; true"'


def marked(word: str) -> dict[int, str]:
    """Command lines of the processes with a word in their environment."""
    found: dict[int, str] = {}
    for folder in Path("/proc").iterdir():
        try:
            if folder.name.isdecimal() and word.encode() in (folder / "environ").read_bytes():
                line = (folder / "cmdline").read_bytes()
                if line:  # what has ended and was not collected yet has none
                    found[int(folder.name)] = line.replace(b"\0", b" ").decode()
        except (FileNotFoundError, ProcessLookupError, PermissionError):
            continue
    return found


def awaited(holds: Callable[[], bool], within_s: float) -> bool:
    end_s = real_monotonic_s() + within_s
    while not holds():
        if real_monotonic_s() > end_s:
            return False
        threading.Event().wait(LOOK_S)
    return True


def test_nothing_outlives_a_daemon_that_is_killed(tmp_path: Path) -> None:
    word = f"NIGHTLOOM_TRACE={tmp_path}"
    command = nightloom("rehearse", "--indi", "--speed", "30", "--json", "--out", tmp_path / "out")
    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen(
            command,
            env={**os.environ, "NIGHTLOOM_TRACE": str(tmp_path)},
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
    try:
        there = awaited(
            lambda: (
                all(any(part in line for line in marked(word).values()) for part in ALL)
                and sum("forkserver" in line for line in marked(word).values()) >= 2
            ),
            STARTED_S_MAX,
        )
        assert there, (marked(word), (tmp_path / "log").read_text()[-2000:])
        daemon.send_signal(signal.SIGKILL)
        daemon.wait()
        assert awaited(lambda: not marked(word), GONE_S_MAX), "\n".join(marked(word).values())
    finally:
        for pid in marked(word):
            os.kill(pid, signal.SIGKILL)


SCRIPT = """
import asyncio, sys
from pathlib import Path
from nightloom.own_script import run_script
script, *words = sys.argv[1:]
asyncio.run(run_script(Path(script), *words, deadline_s=600.0))
"""


def test_a_solver_that_started_another_program_ends_with_who_waits_for_it(tmp_path: Path) -> None:
    with marked_process(tmp_path, ["sh", "-c", f"{LEASHED} $$ {SLEEPS}; true"]) as (waiter, word):
        assert awaited(lambda: sum("sleep" in x for x in marked(word).values()) >= 4, STARTED_S_MAX)
        waiter.kill()
        waiter.wait()
        assert awaited(lambda: not marked(word), GONE_S_MAX), marked(word)


def test_a_script_that_hangs_ends_with_who_waits_for_it(tmp_path: Path) -> None:
    """As those that paint and that send notices begin."""
    script, there = tmp_path / "script.py", tmp_path / "there"
    script.write_text(
        "import signal, sys\nfrom pathlib import Path\n"
        "from nightloom_drivers.leash import end_with\n"
        "end_with(int(sys.argv[1])); Path(sys.argv[2]).touch(); signal.pause()"
    )
    command = [sys.executable, "-c", SCRIPT, str(script), str(there)]
    with marked_process(tmp_path, command) as (waiter, word):
        assert awaited(there.exists, STARTED_S_MAX)
        waiter.kill()
        waiter.wait()
        assert awaited(lambda: not marked(word), GONE_S_MAX), marked(word)


Marked = tuple[subprocess.Popen[bytes], str]


@contextmanager
def marked_process(folder: Path, command: list[str]) -> Iterator[Marked]:
    """A process with a word in its environment; nothing of that word is left after the block."""
    word = f"NIGHTLOOM_TRACE={folder}"
    try:
        yield subprocess.Popen(command, env={**os.environ, "NIGHTLOOM_TRACE": str(folder)}), word
    finally:
        for pid in marked(word):
            os.kill(pid, signal.SIGKILL)
