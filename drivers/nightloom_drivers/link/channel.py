"""The channel between a link and its INDI process: whole records, large ones through memory.

A Unix SOCK_SEQPACKET socket keeps message boundaries. Frames and long records do not pass through
it: they lie in an anonymous memory file whose descriptor travels with the record. The kernel frees
both when either side dies.
"""

import mmap
import os
import pickle
import select
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

from nightloom_drivers.link.vector import Kind, Value

INLINE_BYTES_MAX = 64 * 1024
"""Above this a record goes through memory; one packet may not exceed the send buffer, 208 KiB."""


RECORD_BYTES_MAX = 16 * 2**20
"""No property is larger; whoever is told of one holds it several times over."""


class TooLong(Exception):
    """A record is larger than any honest one."""


@dataclass(frozen=True, slots=True)
class Start:
    """The first record to the child: where to connect, and its patience, all in real seconds.

    It waits `pause_s`, then tries for `within_s`; it asks for a sign of life each `ping_s`, and
    takes a server for hung that owes one, or does not take a request, for `silence_s`.
    """

    host: str
    port: int
    pause_s: float
    within_s: float
    ping_s: float
    silence_s: float


@dataclass(frozen=True, slots=True)
class Request:
    """Send a new* message."""

    device: str
    name: str
    kind: Kind
    values: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class WithBlobs:
    """Ask for the device's binary elements."""

    device: str


Heard = TypeVar("Heard")


class Channel(Generic[Heard]):
    """One end of a pair, and what is heard there; records are pickled, as both ends are the same
    program.
    """

    def __init__(self, end: socket.socket) -> None:
        self._end = end

    @classmethod
    def pair(cls) -> tuple[socket.socket, socket.socket]:
        """Two connected sockets."""
        return socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)

    def fileno(self) -> int:
        """The descriptor of the socket, for those that wait for it."""
        return self._end.fileno()

    def send(self, record: object, memory: int | None = None) -> None:
        """Send a record, and with it the descriptor `memory`, which stays the caller's to close.

        Raises TooLong, and OSError when the other side is gone or, without blocking, does not read.
        """
        packet = pickle.dumps(record, protocol=5)
        if len(packet) > RECORD_BYTES_MAX:
            raise TooLong(f"a record of {len(packet) / 2**20:.0f} MB")
        attached = [] if memory is None else [memory]
        if len(packet) <= INLINE_BYTES_MAX:
            socket.send_fds(self._end, [b"i", packet], attached)
            return
        stored = memory_of(packet)
        try:
            socket.send_fds(self._end, [b"m"], [stored, *attached])
        finally:
            os.close(stored)

    def receive(self) -> tuple[Heard, int | None]:
        """The next record and the descriptor that came with it, now the caller's to close.

        Raises EOFError when the other side is gone, OSError when a descriptor could not be taken.
        """
        try:
            packet, descriptors, flags = self._packet()
        except ConnectionResetError:  # It left without reading all; its last words are still here.
            packet, descriptors, flags = self._packet()
        if not packet:
            raise EOFError("the other side of the channel is gone")
        if flags & socket.MSG_CTRUNC:
            for descriptor in descriptors:
                os.close(descriptor)
            raise OSError("no descriptor is free for a frame")
        content: bytes | memoryview = packet[1:]
        if packet[:1] == b"m":
            content = mapped(descriptors.pop(0))
        return pickle.loads(content), descriptors[0] if descriptors else None

    def _packet(self) -> tuple[bytes, list[int], int]:
        size, flags = INLINE_BYTES_MAX + 1, socket.MSG_CMSG_CLOEXEC
        return socket.recv_fds(self._end, size, 2, flags)[:3]

    def readable(self, within_s: float) -> bool:
        """Wait until a record or the end is there to be received, at most so many real seconds."""
        return bool(select.select([self._end], [], [], within_s)[0])


def memory_of(content: bytes | memoryview) -> int:
    """A descriptor of an anonymous memory file with this content: the one copy made of it."""
    descriptor = os.memfd_create("nightloom", os.MFD_CLOEXEC)
    view = memoryview(content).cast("B")
    while view:
        view = view[os.write(descriptor, view) :]
    return descriptor


def mapped(descriptor: int) -> memoryview:
    """The content behind a descriptor, read-only and not copied; the descriptor is closed."""
    try:
        return memoryview(mmap.mmap(descriptor, 0, prot=mmap.PROT_READ))
    finally:
        os.close(descriptor)
