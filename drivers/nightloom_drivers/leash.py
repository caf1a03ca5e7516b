"""Children that end with their parent, however it ends: also by `kill -9`, of which nobody is told.

As a program, `python leash.py PARENT COMMAND ...` runs a command in its own process group, which
all ends with the process of that number, which starts it: for programs that start others.
"""

import ctypes
import os
import signal
import subprocess
import sys
import threading
from multiprocessing import parent_process

PR_SET_PDEATHSIG = 1
"""Of prctl(2) in Linux's manual."""


def end_with_parent() -> None:
    """Have a process that a fork server forked end with the one that asked for it.

    Its parent is that server, which lives as long as what it forked does: so whoever asked is
    waited for, in a thread.
    """
    parent = parent_process()
    if parent is None:
        raise RuntimeError("not a process of multiprocessing")

    def wait() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


def end_with(parent: int, number: signal.Signals = signal.SIGKILL) -> None:
    """Have Linux send this process a signal when its parent, of that number, ends.

    Raises OSError where the kernel refuses.
    """
    if ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, int(number)) != 0:
        raise OSError(ctypes.get_errno(), "prctl(PR_SET_PDEATHSIG)")
    if os.getppid() != parent:  # it ended before it could be told of
        os.kill(os.getpid(), number)


def _run(parent: str, *command: str) -> int:
    signal.signal(signal.SIGTERM, lambda *_: os.killpg(0, signal.SIGKILL))
    end_with(int(parent), signal.SIGTERM)
    return subprocess.call(command)


if __name__ == "__main__":
    sys.exit(_run(*sys.argv[1:]))
