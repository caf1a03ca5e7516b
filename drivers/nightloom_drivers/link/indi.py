"""INDI over TCP, through a process of its own that may crash and is started again.

All that has to do with the network and with real seconds happens in the child (indi_child.py);
this side only reads records, supervises, and starts the next child when one has ended.
"""

import asyncio
import contextlib
import dataclasses
import math
import os
import signal
import socket
import subprocess
import sys
from collections import deque
from collections.abc import Iterable, Mapping
from pathlib import Path

from nightloom_drivers.clock import real_monotonic_s
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.link.channel import Channel, Request, Start, WithBlobs, mapped
from nightloom_drivers.link.link import Link
from nightloom_drivers.link.vector import Event, Found, Kind, Lost, Received, Value

SHORT_LIFE_S = 30.0
"""A child that ended sooner may have met what will end the next one too: wait before it."""
PAUSE_S = (0.5, 5.0)
"""First and longest wait before a child that follows a short life."""
FAREWELL_S = 5.0
"""How long a child may take to end when told to; it needs a few milliseconds."""
BACKLOG_MAX = 10_000
"""Requests that wait to be read by a child before it is taken for hung."""
VECTORS_MAX = 10_000
"""A large observatory has two thousand; a server that goes on defining more is out of its mind."""
RECORDS_A_TURN_MAX = 64
"""Records read before the loop's other callbacks get their turn."""


class IndiLink(Link):
    """INDI properties of the devices behind a server, connected again whenever it was lost.

    `answer_s`, `ping_s` and `silence_s` are real seconds, whatever the loop's time does: how long
    `open` waits for a server, how often a server is asked for a sign of life, and how long one
    that owes it may be silent. `noise` is a file for what libindi writes to its error output.
    """

    def __init__(
        self,
        host: str = "localhost",
        port: int = 7624,
        *,
        answer_s: float = 10.0,
        ping_s: float = 10.0,
        silence_s: float = 30.0,
        noise: Path | None = None,
    ) -> None:
        super().__init__()
        self._start = Start(host, port, 0.0, answer_s, ping_s, silence_s)
        self._noise = noise
        self._channel: Channel[Event] | None = None
        self._outbox: deque[object] = deque()
        self._supervisor: asyncio.Task[None] | None = None
        self._child: asyncio.subprocess.Process | None = None

    async def open(self) -> None:
        answered: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._supervisor = asyncio.create_task(self._supervise(answered))
        try:
            await answered
        except BaseException:
            await self.close()
            raise

    async def close(self) -> None:
        if self._supervisor is not None:
            self._supervisor.cancel()
            await asyncio.gather(self._supervisor, return_exceptions=True)
            self._supervisor = None
        self._lose("the link was closed")

    @property
    def child_pid(self) -> int | None:
        """The process that speaks INDI at the moment."""
        return None if self._child is None else self._child.pid

    async def _supervise(self, answered: asyncio.Future[None]) -> None:
        """Have a child, for ever; give up only when the first one finds no server."""
        start = self._start
        while True:
            began_s = real_monotonic_s()
            try:
                reason = await self._live(start, answered)
            except OSError as problem:  # no process or no descriptor to be had at the moment
                reason = f"no INDI process: {problem}"
                await asyncio.sleep(PAUSE_S[1])
            if not answered.done():
                where = f"INDI server {start.host}:{start.port}"
                asked = f"within {start.within_s:g} s"
                answered.set_exception(DeviceGone(where, "connection", asked=asked, seen=reason))
                return
            short = real_monotonic_s() - began_s < SHORT_LIFE_S
            pause_s = min(max(PAUSE_S[0], 2 * start.pause_s), PAUSE_S[1]) if short else 0.0
            start = dataclasses.replace(start, within_s=math.inf, pause_s=pause_s)

    async def _live(self, start: Start, answered: asyncio.Future[None]) -> str:
        """One child from its start to its end; the reason for the end."""
        loop = asyncio.get_running_loop()
        ours, theirs = Channel.pair()
        ours.setblocking(False)
        channel, ended = Channel[Event](ours), loop.create_future()
        with ours:
            with theirs:
                self._child = child = await self._spawn(theirs)
            loop.add_reader(ours, self._read, channel, ended, answered)
            self._channel = channel
            try:
                channel.send(start)
                reason: str = await ended
            finally:
                loop.remove_reader(ours)
                loop.remove_writer(ours)
                self._channel = None
                await _farewell(child, ours, self._outbox)
                self._outbox.clear()
        if not reason:
            reason = f"the INDI process ended ({_manner(child.returncode)})"
        self._lose(reason)
        return reason

    async def _spawn(self, theirs: socket.socket) -> asyncio.subprocess.Process:
        """A child in a session of its own: what stops the daemon's terminal must not cut it off."""
        child = [sys.executable, "-P", "-m", "nightloom_drivers.link.indi_child"]
        with open(self._noise or "/dev/null", "ab") as noise:  # noqa: ASYNC230, PTH123  opened once a life
            return await asyncio.create_subprocess_exec(
                *child,
                str(theirs.fileno()),
                pass_fds=[theirs.fileno()],
                start_new_session=True,
                stdin=subprocess.DEVNULL,
                stdout=noise,
                stderr=noise,
            )

    def _read(
        self, channel: Channel[Event], ended: asyncio.Future[str], answered: asyncio.Future[None]
    ) -> None:
        """Hear what the child has sent, until nothing is left or it has ended."""
        for _ in range(RECORDS_A_TURN_MAX):
            try:
                event, memory = channel.receive()
            except BlockingIOError:
                return
            except (EOFError, OSError) as problem:
                if not ended.done():
                    ended.set_result("" if isinstance(problem, EOFError) else str(problem))
                return
            if isinstance(event, Found) and not answered.done():
                answered.set_result(None)
            self._take(event, memory, ended)

    def _take(self, event: Event, memory: int | None, ended: asyncio.Future[str]) -> None:
        match event:
            case Received(blob) if memory is not None:
                self._hear(Received(dataclasses.replace(blob, data=mapped(memory))))
            case Lost(reason):
                self._end(reason, ended)
            case _:
                self._hear(event)
                if len(self._vectors) > VECTORS_MAX:
                    self._end(f"the server defines more than {VECTORS_MAX} properties", ended)

    def _end(self, reason: str, ended: asyncio.Future[str]) -> None:
        """Have done with this child, and with all that it told."""
        if not ended.done():
            ended.set_result(reason)
        self._lose(reason)

    def _lose(self, reason: str) -> None:
        if self.connected:
            self._hear(Lost(reason))

    def _transmit(self, device: str, name: str, kind: Kind, values: Mapping[str, Value]) -> None:
        number = kind is Kind.NUMBER  # numpy's would make the child import numpy
        plain = {key: float(value) if number else value for key, value in values.items()}
        self._tell(Request(device, name, kind, plain))

    def _transmit_blob_mode(self, device: str) -> None:
        self._tell(WithBlobs(device))

    def _tell(self, record: object) -> None:
        """Hand a record to the child; between two children Lost is heard, or on its way."""
        if self._channel is not None:
            self._outbox.append(record)
            self._flush()

    def _flush(self) -> None:
        """Send what waits, as far as the child reads."""
        if self._channel is None or self._child is None:
            return
        loop = asyncio.get_running_loop()
        try:
            while self._outbox:
                self._channel.send(self._outbox[0])
                self._outbox.popleft()
        except BlockingIOError:
            if len(self._outbox) > BACKLOG_MAX:
                _kill(self._child)
            loop.add_writer(self._channel, self._flush)
        except OSError:
            self._outbox.clear()  # The child has just ended, and `_read` is about to see that.
        if not self._outbox:
            loop.remove_writer(self._channel)


async def _farewell(
    child: asyncio.subprocess.Process, ours: socket.socket, last_words: Iterable[object]
) -> None:
    """End a child in good order if it lives: it sends what it was given, then leaves."""
    with contextlib.suppress(OSError):
        ours.settimeout(1.0)
        for record in last_words:
            Channel[Event](ours).send(record)
        ours.shutdown(socket.SHUT_WR)
    try:
        async with asyncio.timeout(FAREWELL_S):
            await child.wait()
    except TimeoutError:
        pass  # The child hangs.
    finally:
        if child.returncode is None:  # also when this was cancelled
            _kill(child)
            await child.wait()


def _kill(child: asyncio.subprocess.Process) -> None:
    """Kill without asking for the status, as Process.kill does: asyncio's watcher must get that."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(child.pid, signal.SIGKILL)


def _manner(status: int | None) -> str:
    if status is not None and status < 0:
        return signal.Signals(-status).name
    return f"status {status}"
