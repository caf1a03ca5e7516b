"""A tap on the connections between a daemon and its INDI server: who said what, in which order."""

import contextlib
import re
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

_DEFINED = re.compile(rb"<def\w+Vector\b[^>]*>")
_ASKED = re.compile(rb"<new\w+Vector\b[^>]*>")
_DEVICE = re.compile(rb"device\s*=\s*[\"']([^\"']*)")
_NAME = re.compile(rb"\bname\s*=\s*[\"']([^\"']*)")

OVERLAP_BYTES = 1000
"""More than any tag that is looked for takes, where a piece ends within one."""


@dataclass
class Heard:
    """One connection: (asked?, device, vector) in the order in which they passed."""

    passed: list[tuple[bool, str, str]] = field(default_factory=list)

    def known_before(self, vectors: frozenset[str]) -> set[str] | None:
        """The devices that had defined anything before one of these vectors was first asked for.

        None where none of them was.
        """
        known: set[str] = set()
        for asked, device, name in self.passed:
            if asked and name in vectors:
                return known
            if not asked:
                known.add(device)
        return None


class Tap:
    """Passes connections on, byte for byte, and notes the tags in them."""

    def __init__(self, server_port: int) -> None:
        self.connections: list[Heard] = []
        self._server_port = server_port
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    def close(self) -> None:
        """Listen no longer; connections end with either of their sides."""
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        for thread in self._threads:
            thread.join()

    def _accept(self) -> None:
        while True:
            try:
                ours, _ = self._listening.accept()
            except OSError:
                return
            try:
                theirs = socket.create_connection(("127.0.0.1", self._server_port))
            except OSError:
                ours.close()
                continue
            heard = Heard()
            self.connections.append(heard)
            thread = threading.Thread(target=self._join, args=(ours, theirs, heard))
            self._threads.append(thread)
            thread.start()

    def _join(self, ours: socket.socket, theirs: socket.socket, heard: Heard) -> None:
        back = threading.Thread(target=_pass_on, args=(theirs, ours, heard, False))
        back.start()
        _pass_on(ours, theirs, heard, True)
        back.join()
        ours.close()
        theirs.close()


def _pass_on(one: socket.socket, other: socket.socket, heard: Heard, asking: bool) -> None:
    tag, rest = (_ASKED, b"") if asking else (_DEFINED, b"")
    with contextlib.suppress(OSError):
        while piece := one.recv(65536):
            rest += piece
            end = 0
            for found in tag.finditer(rest):
                device, name = _DEVICE.search(found[0]), _NAME.search(found[0])
                if device and name:
                    heard.passed.append((asking, device[1].decode(), name[1].decode()))
                end = found.end()
            rest = rest[max(end, len(rest) - OVERLAP_BYTES) :]
            other.sendall(piece)
    for end_of in (one, other):
        with contextlib.suppress(OSError):
            end_of.shutdown(socket.SHUT_RDWR)


@contextlib.contextmanager
def tapped(server_port: int) -> Iterator[Tap]:
    """A tap before a server for the block."""
    tap = Tap(server_port)
    try:
        yield tap
    finally:
        tap.close()
