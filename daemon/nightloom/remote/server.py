"""Listens, while the daemon does: uvicorn in the daemon's own event loop."""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from ipaddress import ip_address

import uvicorn

from nightloom.remote.accepting import WAITING_MAX, accept
from nightloom.remote.access import Access
from nightloom.remote.app import Answers
from nightloom.remote.connections import HEAD_BYTES_MAX, Connection, Tell
from nightloom.remote.gate import Gate
from nightloom.remote.lines import Lines
from nightloom.remote.preview import Preview
from nightloom.remote.refusals import Refusals
from nightloom.remote.streams import Streams
from nightloom.remote.token_file import NoToken, token_of
from nightloom.requests.door import Hear
from nightloom.settings import Settings
from nightloom.settings.remote import RemotePolicy
from nightloom.telemetry import Log
from nightloom.telemetry.events import RemoteListening, RemoteShut
from nightloom_drivers.clock import Clock

CLOSING_S = 1

DEAD_MS = 60_000
"""A computer that acknowledges nothing for so long has gone, such as a telephone out of reach."""


UNTAKEN_BYTES = 131_072
"""So much of an answer may lie in the system for who does not take it."""


class Shut(Exception):
    """It cannot listen; the text says why."""


@asynccontextmanager
async def remote(settings: Settings, hear: Hear, log: Log, clock: Clock) -> AsyncIterator[None]:
    """Be seen while the block lasts, as the settings say; the daemon goes on where it cannot."""
    said = settings.policies.remote
    if not said.enabled:
        yield
        return
    try:
        token = token_of(said)
        server = _Server(settings, token, hear, log, clock)
        listening = _listen(said)
    except (NoToken, Shut) as error:
        log.emit(RemoteShut(reason=str(error)))
        yield
        return
    async with server.serving(listening):
        log.emit(RemoteListening(url=_url(said, listening), token=token is not None))
        yield


class _Server(uvicorn.Server):
    """Leaves signals to the daemon, and ends when the daemon says."""

    def __init__(
        self, settings: Settings, token: str | None, hear: Hear, log: Log, clock: Clock
    ) -> None:
        """Raises Shut."""
        said, output = settings.policies.remote, settings.observatory.output_folder
        access, self._log, self._accepting = Access(token), log, list[asyncio.Task[None]]()
        self._streams, refusals = Streams(Lines(output)), Refusals(log)
        self._tls, self._connection = _tls(said), _telling(refusals.tell)
        secure = self._tls is not None
        answers = Answers(
            hear, clock, access, self._streams, Preview(output), refusals.tell, secure
        )
        super().__init__(
            uvicorn.Config(
                Gate(answers.app(), access, clock, log, refusals.tell),
                http=self._connection,
                ws="none",
                lifespan="off",
                interface="asgi3",
                log_config=None,
                log_level="critical",  # the daemon has a log of its own
                access_log=False,
                proxy_headers=False,
                server_header=False,
                timeout_keep_alive=3600,  # the connection has a time of its own
                timeout_graceful_shutdown=CLOSING_S,
                h11_max_incomplete_event_size=HEAD_BYTES_MAX,
            )
        )

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take none."""
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Take callers in from the sockets."""

        def connection() -> asyncio.Protocol:
            return self._connection(self.config, self.server_state, self.lifespan.state)

        self.servers = []  # of asyncio's, which take all callers in at once, there is none
        for listening in sockets or []:
            self._accepting.append(asyncio.create_task(accept(listening, connection, self._tls)))
        self.started = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Take nobody in any more, and end what there is."""
        for task in self._accepting:
            task.cancel()
        await asyncio.wait(self._accepting)
        await super().shutdown(sockets)

    @asynccontextmanager
    async def serving(self, listening: socket.socket) -> AsyncIterator[None]:
        """Serve while the block lasts."""
        with self._log.listen(self._streams.observe):
            task = asyncio.create_task(self._serve_on(listening))
            try:
                yield
            finally:
                self.should_exit = True
                self._streams.close()
                for connection in list(self.server_state.connections):
                    connection.transport.abort()
                await task

    async def _serve_on(self, listening: socket.socket) -> None:
        """Serve; the night goes on without when that fails."""
        try:
            await self.serve([listening])
        except Exception as error:  # noqa: BLE001  # who looks on must not end the night
            self._log.emit(RemoteShut(reason=f"it failed: {type(error).__name__}"))
        finally:
            listening.close()


def _telling(tell: Tell) -> type[Connection]:
    """Connections that tell of refusals."""
    told = tell

    class Telling(Connection):
        tell = staticmethod(told)

    return Telling


def _listen(said: RemotePolicy) -> socket.socket:
    """A socket that listens where the settings say. Raises Shut."""
    family = socket.AF_INET6 if ip_address(said.address).version == 6 else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Those who come inherit both.
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, DEAD_MS)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, UNTAKEN_BYTES)
        listening.bind((said.address, said.port))
        listening.listen(WAITING_MAX)
        listening.setblocking(False)
    except OSError as error:
        listening.close()
        where = f"{said.address}, port {said.port}"
        raise Shut(f"remote.address {where} cannot be listened on: {error.strerror}") from error
    return listening


def _tls(said: RemotePolicy) -> ssl.SSLContext | None:
    """What the certificate gives, None without one. Raises Shut."""
    if said.certificate_file is None:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(said.certificate_file, said.key_file)
    except (OSError, ssl.SSLError) as error:
        why = error.strerror or type(error).__name__
        raise Shut(f"remote.certificate_file or key_file cannot be used: {why}") from error
    return context


def _url(said: RemotePolicy, listening: socket.socket) -> str:
    host, port = listening.getsockname()[:2]
    name = f"[{host}]" if ":" in host else host
    return f"{'http' if said.certificate_file is None else 'https'}://{name}:{port}/"
