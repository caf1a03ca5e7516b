"""The process that speaks INDI: one life is one connection, and trouble ends it.

libindi can be crashed or deafened by what a driver sends, so it runs here, apart. All sends are
made by the main thread. libindi's thread calls back into Listener, which copies and queues.
A third thread passes the queue on to the parent; it ends the process after the word Lost, so that
nothing of one connection can reach the next. A fourth sees to it that no send lasts for ever.

Long on purpose: it runs alone in a process of its own, and all that can crash there is here.
"""

import contextlib
import fcntl
import functools
import os
import queue
import re
import resource
import signal
import socket
import struct
import sys
import termios
import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import PyIndi

from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.link.channel import Channel, Request, Start, TooLong, WithBlobs
from nightloom_drivers.link.indi_snapshot import readable, snapshot, take_frames
from nightloom_drivers.link.liveness import Liveness
from nightloom_drivers.link.vector import (
    Blob,
    Defined,
    Event,
    Found,
    Kind,
    Lost,
    Received,
    Removed,
    Said,
    Updated,
)

CONNECT_S = 3
"""A local server answers within a millisecond, one on a poor wireless link within a second."""
RETRY_S = (0.5, 5.0)
"""First and longest wait between two attempts to connect."""
DRAIN_S_MAX = 1.0
"""How long an orderly end waits for the server's machine to have everything that was sent."""
LOOK_S = 1.0
"""Between two looks at what has come; a flood brings half a gigabyte in some seconds."""
EVENTS_WAITING_MAX, FRAMES_WAITING_MAX = 2000, 4
"""More are not taken from a server until the parent has read some: it has to wait."""
DATA_BYTES_MAX = 2 * 2**30
"""More memory the system does not give to this process; a camera of 150 megapixels needs 1.2 GB."""
UNACKNOWLEDGED_MS_MAX = 20_000
"""After this long without an acknowledgement the server's machine is taken for gone."""

_STAMP = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d: ")

Tell = Callable[[Event, int | None], None]
Heard = Callable[..., None]


def guarded(callback: Heard) -> Heard:
    """Let nothing leave a callback: libindi's thread would die, and look alive."""

    @functools.wraps(callback)
    def wrapped(self: "Listener", *arguments: object) -> None:
        self.messages += 1
        try:
            callback(self, *arguments)
        except BaseException:  # noqa: BLE001  nothing at all may leave, SystemExit included
            self.trouble(traceback.format_exc())

    return wrapped


class Listener(PyIndi.BaseClient):  # type: ignore[misc]
    """What libindi reports, told on as events."""

    def __init__(self, tell: Tell) -> None:
        super().__init__()
        self.tell = tell
        self.with_blobs: set[str] = set()
        self.frames_waiting = threading.Semaphore(FRAMES_WAITING_MAX)
        self.messages, self.pings_answered = 0, 0

    def trouble(self, text: str) -> None:
        """Report something that went wrong in this process."""
        self.tell(Said("", f"INDI process: {readable(text)}"), None)

    @guarded
    def newProperty(self, held: PyIndi.Property) -> None:  # noqa: N802  the names are libindi's
        self.tell(Defined(snapshot(held)), None)

    @guarded
    def updateProperty(self, held: PyIndi.Property) -> None:  # noqa: N802
        vector = snapshot(held)
        if vector.kind is Kind.BLOB:
            for element, suffix, memory in take_frames(held):
                if vector.device in self.with_blobs:
                    self.frames_waiting.acquire()
                    self.tell(Received(Blob(vector.device, element, suffix, b"")), memory)
                else:
                    os.close(memory)
        self.tell(Updated(vector), None)

    @guarded
    def removeProperty(self, held: PyIndi.Property) -> None:  # noqa: N802
        self.tell(Removed(readable(held.getDeviceName()), readable(held.getName())), None)

    @guarded
    def removeDevice(self, device: PyIndi.BaseDevice) -> None:  # noqa: N802
        self.tell(Removed(readable(device.getDeviceName())), None)

    @guarded
    def newMessage(self, device: PyIndi.BaseDevice, number: int) -> None:  # noqa: N802
        self.tell(Said(readable(device.getDeviceName()), said(device.messageQueue(number))), None)

    @guarded
    def newUniversalMessage(self, text: str) -> None:  # noqa: N802
        self.tell(Said("", said(text)), None)

    @guarded
    def newPingReply(self, _: str) -> None:  # noqa: N802
        self.pings_answered += 1

    @guarded
    def serverDisconnected(self, _: int) -> None:  # noqa: N802
        self.tell(Lost("the server closed the connection"), None)


class IndiChild:
    """One connection to one server, on behalf of the process at the other end of `channel`."""

    def __init__(self, channel: Channel[Start | Request | WithBlobs], start: Start) -> None:
        self.channel, self.start = channel, start
        self.told = queue.Queue[tuple[Event, int | None]](EVENTS_WAITING_MAX)
        self.listener = Listener(self.tell)
        self.busy_since_s: float | None = None
        self.pings = 0

    def run(self) -> NoReturn:
        """Connect, pass requests on, and watch; ends the process."""
        self._connect()
        try:
            self.wire = own_socket(self.start.port)
            harden(self.wire)
        except OSError:
            self._give_up("the server closed the connection at once")
        self.channel.send(Found())  # before what libindi may already have reported
        for work in (self._pass_on, self._watch_sends):
            threading.Thread(target=work, daemon=True).start()
        ping_due_s = look_due_s = real_monotonic_s()
        self.liveness = Liveness(self.start.silence_s, ping_due_s)
        while True:
            now_s = real_monotonic_s()
            if now_s >= look_due_s:
                self._look(now_s)
                look_due_s = now_s + min(LOOK_S, self.start.ping_s)
            if now_s >= ping_due_s:
                self._ping(now_s)
                ping_due_s = now_s + self.start.ping_s
            if self.channel.readable(min(ping_due_s, look_due_s) - now_s):
                self._obey()

    def tell(self, event: Event, memory: int | None = None) -> None:
        """Queue an event for the parent; from any thread."""
        self.told.put((event, memory))

    def _pass_on(self) -> None:
        """Send what is queued; the last word is Lost."""
        while True:
            event, memory = self.told.get()
            try:
                self.channel.send(event, memory)
            except TooLong as problem:
                event = Lost(f"the server sent {problem}")
                self.channel.send(event)
            except (BrokenPipeError, ConnectionResetError):
                pass  # The parent is gone: the main thread sees it too, and ends in good order.
            except OSError:
                os._exit(1)  # An event that cannot be passed on must not be missed in silence.
            if memory is not None:
                os.close(memory)
                self.listener.frames_waiting.release()
            if isinstance(event, Lost):
                os._exit(0)

    def _watch_sends(self) -> None:
        """End a send that does not: libindi spins for ever when a hung server's buffer is full."""
        pause = threading.Event()
        while not pause.wait(self.start.silence_s / 10):
            since_s = self.busy_since_s
            if since_s is not None and real_monotonic_s() - since_s > self.start.silence_s:
                self.tell(Lost(f"the server has taken no request for {self.start.silence_s:g} s"))
                return

    def _connect(self) -> None:
        start, (wait_s, wait_s_max) = self.start, RETRY_S
        self._rest(start.pause_s)
        deadline_s = real_monotonic_s() + start.within_s
        self.listener.setServer(start.host, start.port)
        self.listener.setConnectionTimeout(CONNECT_S, 0)
        while not self.listener.connectServer():
            if real_monotonic_s() + wait_s > deadline_s:
                self._give_up(why_not(start.host, start.port))
            self._rest(wait_s)
            wait_s = min(2 * wait_s, wait_s_max)

    def _give_up(self, reason: str) -> NoReturn:
        """End without having been connected, when nothing is queued yet."""
        self.channel.send(Lost(reason))
        os._exit(0)

    def _rest(self, real_s: float) -> None:
        """Wait; before the connection stands the parent sends nothing, so a sign is its end."""
        if self.channel.readable(real_s):
            os._exit(0)

    def _end(self, reason: str) -> NoReturn:
        """End the connection when what is queued has been passed on."""
        self.tell(Lost(reason))
        threading.Event().wait()
        raise AssertionError("the process ends with the word Lost")

    def _obey(self) -> None:
        try:
            record, _ = self.channel.receive()
        except (EOFError, OSError):
            self._drain()
            os._exit(0)
        self.busy_since_s = real_monotonic_s()
        match record:
            case Request():
                self._request(record)
            case WithBlobs(device):
                self.listener.with_blobs.add(device)
                self.listener.setBLOBMode(PyIndi.B_ALSO, device, None)
        self.busy_since_s = None

    def _request(self, request: Request) -> None:
        try:
            asked = detached(request)
        except (TypeError, ValueError, OverflowError):  # what libindi's strings cannot hold
            self.listener.trouble(traceback.format_exc())
        else:
            self.listener.sendNewProperty(asked)

    def _look(self, now_s: float) -> None:
        """End it when the server has not made itself understood for too long."""
        listener, received_bytes = self.listener, bytes_received(self.wire)
        answers = listener.pings_answered > 0
        lost = self.liveness.lost(now_s, received_bytes, listener.messages, answers=answers)
        if lost:
            self._end(lost)

    def _ping(self, now_s: float) -> None:
        """Ask for a sign of life."""
        self.pings += 1
        self.busy_since_s = now_s
        self.listener.sendPingRequest(str(self.pings))
        self.busy_since_s = None

    def _drain(self) -> None:
        deadline_s = real_monotonic_s() + DRAIN_S_MAX
        while unsent_bytes(self.wire) and real_monotonic_s() < deadline_s:
            threading.Event().wait(0.002)


def said(text: str) -> str:
    """A message as the driver wrote it; libindi puts a time in front, and an end of line."""
    return _STAMP.sub("", readable(text)).strip()


def detached(request: Request) -> PyIndi.Property:
    """A PyIndi property of its own for a request: libindi's cached one is left as it was heard.

    Switches are declared any-of-many, or libindi would send only the one that is on.
    """
    kinds = {
        Kind.NUMBER: PyIndi.PropertyNumber,
        Kind.SWITCH: PyIndi.PropertySwitch,
        Kind.TEXT: PyIndi.PropertyText,
    }
    # Switches that go off are to be named before the one that goes on (INDI 1.7, newSwitchVector).
    values = sorted(request.values.items(), key=lambda item: item[1] is True)
    asked = kinds[request.kind](len(values))
    asked.setDeviceName(request.device)
    asked.setName(request.name)
    if request.kind is Kind.SWITCH:
        asked.setRule(PyIndi.ISR_NOFMANY)
    for element, (name, value) in zip(asked, values, strict=True):
        element.setName(name)
        match request.kind:
            case Kind.NUMBER:
                element.setValue(float(value))
            case Kind.SWITCH:
                element.setState(PyIndi.ISS_ON if value else PyIndi.ISS_OFF)
            case Kind.TEXT:
                element.setText(str(value))
    return asked


def own_socket(port: int) -> socket.socket:
    """A second handle on this process's connection to the port: libindi does not show its own."""
    for entry in Path("/proc/self/fd").iterdir():
        if not entry.is_socket():  # a copy of what is none would stay open
            continue
        with (
            contextlib.suppress(OSError),  # not connected, or just closed
            socket.socket(fileno=os.dup(int(entry.name))) as handle,
        ):
            if handle.family == socket.AF_INET and handle.getpeername()[1] == port:
                return handle.dup()
    raise ConnectionError(f"no connection to port {port}")


def harden(wire: socket.socket) -> None:
    """Make the connection quick, and its end certain.

    libindi writes a message in many small pieces, which Nagle's rule would hold for 40 ms. Closing
    is by reset: a server may otherwise keep a client that has gone (indipyserver does, spinning).
    """
    wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNACKNOWLEDGED_MS_MAX)
    wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def bytes_received(wire: socket.socket) -> int:
    """Bytes the connection has brought so far (tcpi_bytes_received of Linux's struct tcp_info)."""
    offset, size = 128, 8
    info = wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, offset + size)
    return int(struct.unpack_from("=Q", info, offset)[0])


def unsent_bytes(wire: socket.socket) -> int:
    """Bytes the other machine has not acknowledged yet (SIOCOUTQ, which is TIOCOUTQ)."""
    answer = fcntl.ioctl(wire, termios.TIOCOUTQ, struct.pack("i", 0))
    return int(struct.unpack("i", answer)[0])


def why_not(host: str, port: int) -> str:
    """Why no connection came about, by trying once more in a way that tells."""
    try:
        socket.create_connection((host, port), timeout=CONNECT_S).close()
    except OSError as problem:
        return str(problem)
    return "it accepts connections only now and then"


def main() -> None:
    """Run with the number of the channel's descriptor as the argument.

    Signals that stop the daemon are its to act on: it still needs the link to park the mount.
    """
    for stopping in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(stopping, signal.SIG_IGN)
    channel = Channel[Start | Request | WithBlobs](socket.socket(fileno=int(sys.argv[1])))
    resource.setrlimit(resource.RLIMIT_DATA, (DATA_BYTES_MAX, DATA_BYTES_MAX))
    try:
        start, _ = channel.receive()
    except EOFError:
        return
    if not isinstance(start, Start):
        raise TypeError(f"the first record says where to connect, not {start}")
    try:
        IndiChild(channel, start).run()
    except BaseException:  # noqa: BLE001  libindi's threads must not hold up the end
        traceback.print_exc()
        os._exit(1)


if __name__ == "__main__":
    main()
