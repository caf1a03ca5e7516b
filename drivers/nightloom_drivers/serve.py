"""`nightloom-rig`: the simulated rig as INDI devices, on a port or for the C indiserver.

On a port each device is a driver of its own. Under indiserver all are one driver, since they
share one sky: `nightloom-rig-driver` takes its options from environment variables there.
"""

import argparse
import asyncio
import contextlib
import logging
import os
import signal
import socket
import sys
import warnings
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from indipyserver import IPyServer

from nightloom_drivers.clock import Clock, LoopClock, ScaledTimeLoop, WallClock
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.indi_driver import SimulatorDriver
from nightloom_drivers.simulators.rig import DEVICES, Rig, build_rig, read_settings
from nightloom_drivers.simulators.simulator import Simulator
from nightloom_drivers.simulators.stdio import StandardStreams

CLIENTS_MAX = 10


@dataclass(frozen=True)
class Options:
    """What the rig is and when; `origin_s` is the machine's monotonic time at `start_s`."""

    settings: RigSettings
    seed: int
    speed: float
    start_s: float
    origin_s: float | None
    devices: tuple[str, ...]


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve the rig on a port until interrupted. Bad input ends with exit status 2."""
    parser = _parser()
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on")
    parser.add_argument("--port", type=int, default=7624, help="port; 0 takes a free one")
    parser.add_argument(
        "--stdio", action="store_true", help="speak on standard input and output to indiserver"
    )
    given = parser.parse_args(arguments)
    options = _options(parser, given)
    if given.stdio:
        return serve(options, None)
    return serve(options, (given.host, given.port))


def driver() -> int:
    """Serve the rig on standard input and output, as indiserver starts drivers.

    Options are NIGHTLOOM_RIG_CONFIG, _SEED, _SPEED, _START, _ORIGIN and _DEVICES (with commas).
    """
    parser = _parser()
    return serve(_options(parser, parser.parse_args(_from_environment(os.environ))), None)


class _Server(IPyServer):  # type: ignore[misc]
    """indipyserver, with clients that may leave at any time: all they said is heard.

    A client that leaves right after a request, as indi_setprop does, leaves unread answers
    behind. The next write fails then, and asyncio would drop the request that waits to be read;
    and from a client that has left, indipyserver would go on reading as fast as it can.
    """

    async def handle_data(self, _: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        transport = writer.transport
        assert isinstance(transport, asyncio.ReadTransport)  # a socket is read as well
        transport.pause_reading()  # This runs before the transport can have read anything.
        with (
            writer.get_extra_info("socket").dup() as incoming,
            contextlib.suppress(ConnectionError),  # a client that has left has nothing to hear
        ):
            await super().handle_data(_Reader(incoming), _Writer(writer))


class _Reader:
    """What a client says, whether or not it can be written to; the end is an error."""

    def __init__(self, incoming: socket.socket) -> None:
        self._incoming = incoming
        incoming.setblocking(False)

    async def read(self, size: int) -> bytes:
        data = await asyncio.get_running_loop().sock_recv(self._incoming, size)
        if not data:
            raise ConnectionResetError("the client has left")
        return data


class _Writer:
    """What a client is told, as long as it listens."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self._writer = writer
        self.get_extra_info = writer.get_extra_info
        self.close, self.wait_closed = writer.close, writer.wait_closed

    def write(self, data: bytes) -> None:
        if not self._writer.is_closing():
            self._writer.write(data)

    async def drain(self) -> None:
        with contextlib.suppress(ConnectionError):  # the reader hears of it in its turn
            await self._writer.drain()


async def serve_port(simulators: Sequence[Simulator], host: str, port: int) -> None:
    """Serve on a port until cancelled; says on standard output where, once it listens.

    Raises RuntimeError when the server ends by itself.
    """
    server = _Server(
        *[SimulatorDriver([simulator]) for simulator in simulators],
        host=host,
        port=port,
        maxconnections=CLIENTS_MAX,
    )
    serving = asyncio.create_task(server.asyncrun())
    try:
        while server.server is None and not serving.done():  # noqa: ASYNC110  (no event tells it)
            await asyncio.sleep(0.01)
        if server.server is not None:
            for listening in server.server.sockets:
                place = "nightloom-rig listens on {}:{}\n".format(*listening.getsockname())
                sys.stdout.write(place)
            sys.stdout.flush()
        await serving
    finally:
        server.shutdown()  # Its tasks may miss a cancellation, and look at this.
        serving.cancel()
    raise RuntimeError("the server ended by itself; its reason was logged")


async def serve_streams(simulators: Sequence[Simulator]) -> None:
    """Serve on standard input and output until the input ends."""
    write_fd = os.dup(1)
    os.dup2(2, 1)  # A stray print must not get between the messages.
    rig_driver = SimulatorDriver(simulators)
    streams = StandardStreams(rig_driver, 0, write_fd)
    rig_driver._commsobj = streams  # noqa: SLF001  (indipydriver has no other way)
    running = asyncio.create_task(rig_driver.asyncrun())
    ended = asyncio.create_task(streams.ended.wait())
    done, _ = await asyncio.wait([running, ended], return_when=asyncio.FIRST_COMPLETED)
    if running in done:
        running.result()
        raise RuntimeError("the driver ended by itself")
    running.cancel()


Beside = Callable[[Rig, Clock], AbstractAsyncContextManager[None]]
"""What goes on beside a rig for as long as it is served."""


def _nothing(_: Rig, __: Clock) -> AbstractAsyncContextManager[None]:
    return contextlib.nullcontext()


def serve(options: Options, address: tuple[str, int] | None, beside: Beside = _nothing) -> int:
    """Serve at an address, or on standard input and output, until ended; gives the exit status."""
    logging.basicConfig(level=logging.WARNING, stream=sys.stderr)
    with asyncio.Runner(
        loop_factory=lambda: ScaledTimeLoop(options.speed, options.origin_s)
    ) as runner:
        return runner.run(_serve(options, address, beside))


async def _serve(options: Options, address: tuple[str, int] | None, beside: Beside) -> int:
    """Until SIGTERM or SIGINT, which end it well."""
    clock = LoopClock(options.start_s)
    rig = build_rig(options.settings, clock, options.seed)
    chosen = [s for s in rig.simulators if not options.devices or s.device in options.devices]
    serving = asyncio.create_task(
        serve_streams(chosen) if address is None else serve_port(chosen, *address)
    )
    told_to_end = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, told_to_end.set)
    ending = asyncio.create_task(told_to_end.wait())
    async with beside(rig, clock):
        await asyncio.wait([serving, ending], return_when=asyncio.FIRST_COMPLETED)
    if serving.done():
        serving.result()
    logging.disable()  # the libraries log that they were ended, as it was asked for,
    warnings.filterwarnings("ignore", "coroutine .* was never awaited")  # and leave work undone
    serving.cancel()
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        "nightloom-rig", description="Serve the simulated rig as INDI devices."
    )
    parser.add_argument("--config", type=Path, help="folder with rig.toml; else the built-in rig")
    parser.add_argument("--seed", type=int, default=1, help="of everything that is random")
    parser.add_argument("--speed", type=float, default=1.0, help="seconds that pass in a second")
    parser.add_argument(
        "--start",
        type=_utc_s,
        help="the rig's time at first, as 2026-11-14T17:00:00 in UTC; else now",
    )
    parser.add_argument(
        "--origin", type=float, help="the machine's monotonic seconds at --start; else now"
    )
    parser.add_argument(
        "--device",
        action="append",
        default=[],
        choices=DEVICES,
        help="serve only this device; can be repeated",
    )
    return parser


def _options(parser: argparse.ArgumentParser, given: argparse.Namespace) -> Options:
    if not 0 < given.speed < float("inf"):
        parser.error("--speed must be a number above 0")
    if given.origin is not None and given.start is None:
        parser.error("--origin needs --start")
    if given.seed < 0:
        parser.error("--seed must be 0 or more")
    try:
        settings = read_settings(given.config)
    except (OSError, ValueError) as error:
        parser.error(f"--config: {error}")
    start_s = WallClock().unix_s() if given.start is None else given.start
    return Options(settings, given.seed, given.speed, start_s, given.origin, tuple(given.device))


def _from_environment(environment: Mapping[str, str]) -> list[str]:
    """The command line that the environment stands for."""
    arguments = []
    for name in ("config", "seed", "speed", "start", "origin"):
        if value := environment.get(f"NIGHTLOOM_RIG_{name.upper()}"):
            arguments.append(f"--{name}={value}")
    names = environment.get("NIGHTLOOM_RIG_DEVICES", "").split(",")
    return arguments + [f"--device={name.strip()}" for name in names if name.strip()]


def _utc_s(text: str) -> float:
    """Unix seconds of an ISO time, which is UTC when it names no zone."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no time like 2026-11-14T17:00:00") from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


if __name__ == "__main__":
    sys.exit(main())
