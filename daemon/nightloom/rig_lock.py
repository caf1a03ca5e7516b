"""One daemon a rig: a lock by server and mount, whichever folders and users are concerned."""

import fcntl
import os
import re
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from nightloom.errors import BadInput
from nightloom.settings import Observatory

FOLDERS = (Path("/run/lock"), Path(tempfile.gettempdir()))
"""Where locks of a whole machine live; the first that can be written is taken."""


@contextmanager
def rig_lock(observatory: Observatory) -> Iterator[None]:
    """Hold the rig's lock, which the system lets go of even after kill -9. Raises BadInput."""
    file = _file(observatory)
    lock = os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            server, mount = observatory.server, observatory.mount.device
            raise BadInput(
                f"Another daemon runs {mount} at {server.host}:{server.port} (it holds {file});"
                " a rig obeys one."
            ) from None
        yield
    finally:
        os.close(lock)


def _file(observatory: Observatory) -> Path:
    server = observatory.server
    try:
        host = socket.gethostbyname(server.host)  # one machine has several names
    except OSError:
        host = server.host
    name = re.sub(r"[^A-Za-z0-9.]+", "-", f"{host} {server.port} {observatory.mount.device}")
    folder = next((one for one in FOLDERS if os.access(one, os.W_OK)), FOLDERS[-1])
    return folder / f"nightloom-{name}.lock"
