"""Asking a running daemon, for commands: one request, one answer."""

import socket
from pathlib import Path

from nightloom.errors import BadInput
from nightloom.requests.door import FOLDER, short_path
from nightloom.requests.messages import Answer, Misunderstood, Request, line_of, read_answer

ANSWER_S = 15.0
"""A daemon that reckons answers within a second or two."""


class NoDaemon(BadInput):
    """Nobody answers there."""


def call(output_folder: Path, request: Request, answer_s: float = ANSWER_S) -> Answer:
    """Ask the daemon of an output folder. Raises NoDaemon."""
    folder = output_folder / FOLDER
    absent = NoDaemon(f"No daemon answers in {folder}; `nightloom run` starts one.")
    try:
        with short_path(folder) as path, socket.socket(socket.AF_UNIX) as door:
            door.settimeout(answer_s)
            door.connect(str(path))
            door.sendall(line_of(request))
            with door.makefile("rb") as lines:
                line = lines.readline()
    except PermissionError as error:
        raise NoDaemon(f"{folder} belongs to another user; ask as the daemon's own.") from error
    except OSError as error:
        raise absent from error
    try:
        return read_answer(line)
    except Misunderstood as error:
        raise absent from error
