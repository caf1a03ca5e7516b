"""The door: a Unix socket beside the ledger, for its owner alone; a line in, a line out.

Whoever comes may be slow, silent, or talk nonsense: nobody holds up the night, or the next one to
come. The folder is the owner's, and so is the socket; who speaks is asked of the system.
"""

import asyncio
import contextlib
import os
import pwd
import socket
import stat
import struct
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

from nightloom.requests.messages import (
    Answer,
    Misunderstood,
    Refused,
    Request,
    Unread,
    line_of,
    read_request,
)
from nightloom.telemetry import Log
from nightloom.telemetry.events import DoorShut, UnexpectedError

FOLDER, SOCKET = "door", "requests"
"""The folder beside the ledger, and the socket's name in it."""

LINE_BYTES_MAX = 4096
"""No request is longer; who sends more is sent away."""

SILENT_S_MAX = 10.0
"""Who says nothing, or does not listen, for so long is sent away."""

BETWEEN_S = 0.02
"""Between two answers to one caller: who asks without a pause does not hold up the night."""

CALLERS_MAX = 16
"""When more come at once the one who came first leaves: none can keep the others out."""

Hear = Callable[[Request, str], Answer]
"""Puts a request in force and answers it; told where it came from."""


class NoDoor(Exception):
    """The socket cannot be had; the text says why."""


@asynccontextmanager
async def door(output_folder: Path, hear: Hear, log: Log) -> AsyncIterator[None]:
    """Take requests while the block lasts; without a socket the daemon goes on without."""
    callers = _Callers(hear, log)
    try:
        listening = _listen(output_folder / FOLDER)
    except (OSError, NoDoor) as error:
        log.emit(DoorShut(reason=str(error)))
        yield
        return
    server = await asyncio.start_unix_server(callers.welcome, sock=listening, limit=LINE_BYTES_MAX)
    try:
        yield
    finally:
        server.close()
        await callers.leave()
        with contextlib.suppress(OSError):
            (output_folder / FOLDER / SOCKET).unlink()


@contextmanager
def short_path(folder: Path) -> Iterator[Path]:
    """A path of the socket that fits into the 108 bytes that the system has for it."""
    held = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield Path(f"/proc/self/fd/{held}/{SOCKET}")
    finally:
        os.close(held)


def _listen(folder: Path) -> socket.socket:
    """A socket for the owner alone. Raises OSError and NoDoor."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    folder.chmod(0o700)
    if folder.is_symlink() or folder.stat().st_uid != os.geteuid():
        raise NoDoor(f"{folder} is not a folder of this user")
    with short_path(folder) as path:
        _clear(path, folder)
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listening.bind(str(path))
            (folder / SOCKET).chmod(stat.S_IRUSR | stat.S_IWUSR)
            listening.listen(CALLERS_MAX)
            listening.setblocking(False)
        except BaseException:
            listening.close()
            raise
    return listening


def _clear(path: Path, folder: Path) -> None:
    """Remove a socket that a daemon which was killed has left. Raises NoDoor when one listens."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as trial:
        trial.settimeout(1.0)
        try:
            trial.connect(str(path))
        except FileNotFoundError:
            return
        except OSError:
            (folder / SOCKET).unlink()
            return
    raise NoDoor(f"another daemon listens in {folder}")


class _Callers:
    """Those who have come, the first one first."""

    def __init__(self, hear: Hear, log: Log) -> None:
        self._hear, self._log = hear, log
        self._tasks: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def welcome(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer one caller until they leave."""
        task = asyncio.current_task()
        assert task is not None
        if len(self._tasks) >= CALLERS_MAX:
            next(iter(self._tasks)).cancel()
        self._tasks[task] = writer
        try:
            await self._answer(reader, writer)
        except (OSError, TimeoutError):
            pass  # they have left, or were too slow
        except asyncio.CancelledError:
            if task.uncancel() > 0:  # sent away, which is no end of the daemon
                raise
        finally:
            self._tasks.pop(task, None)
            writer.transport.abort()

    async def leave(self) -> None:
        """Send everybody away."""
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        origin = _origin(writer)
        while True:
            try:
                async with asyncio.timeout(SILENT_S_MAX):
                    line = await reader.readuntil(b"\n")
            except asyncio.IncompleteReadError:
                return
            except asyncio.LimitOverrunError:
                await self._say(writer, Unread(why=f"A line has {LINE_BYTES_MAX} bytes at most."))
                return
            await self._say(writer, self._answer_to(line, origin))
            await asyncio.sleep(BETWEEN_S)

    def _answer_to(self, line: bytes, origin: str) -> Answer:
        try:
            return self._hear(read_request(line), origin)
        except Misunderstood as error:
            return Unread(why=str(error))
        except Exception as error:  # noqa: BLE001  # a question must not end the night
            self._log.emit(UnexpectedError(kind=type(error).__name__, text=str(error)))
            return Refused(why="The daemon made a mistake; its log has it.")

    async def _say(self, writer: asyncio.StreamWriter, answer: Answer) -> None:
        writer.write(line_of(answer))
        async with asyncio.timeout(SILENT_S_MAX):
            await writer.drain()


def _origin(writer: asyncio.StreamWriter) -> str:
    """Who is at the other end, by the system's word."""
    peer: socket.socket = writer.get_extra_info("socket")
    size = struct.calcsize("3i")
    pid, uid, _ = struct.unpack("3i", peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size))
    try:
        name = pwd.getpwuid(uid).pw_name
    except KeyError:
        name = str(uid)
    return f"user {name}, process {pid}"
