"""Four ways to the same properties: the contract of the link holds on each of them.

Every set-up has a camera and a filter wheel with INDI's standard properties, can make the camera's
driver die and start anew, and can cut the connection and bring it back.
"""

import asyncio
import contextlib
import os
import signal
import sys
from abc import ABC, abstractmethod
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

from nightloom_drivers.clock import LoopClock
from nightloom_drivers.link import IndiLink, Link, LoopbackLink, Vector
from nightloom_drivers.rig_settings import RigSettings
from nightloom_drivers.simulators.rig import build_rig
from nightloom_drivers.simulators.simulator import Simulator
from nightloom_drivers.virtual_loop import run_virtual
from servers import Server, free_port, indiserver

ANSWER_S = 20.0
"""Far more than any of these devices takes."""
SPEED = 10
"""The simulated rig behind a server need not be waited for."""


class Setup(ABC):
    """A camera and a wheel, and a link to them."""

    camera, wheel = "Rig Camera", "Rig Wheel"

    def run(self, test: Callable[[Link], Awaitable[None]]) -> None:
        """Run a test with a link of its own."""

        async def body() -> None:
            async with self.link() as link:
                await test(link)

        asyncio.run(body())

    @abstractmethod
    def link(self) -> contextlib.AbstractAsyncContextManager[Link]:
        """A link that is open for the block."""

    @abstractmethod
    async def camera_dies(self, link: Link) -> None:
        """Have the camera's driver die and start anew, with nothing that it was told."""

    @abstractmethod
    def cut(self, link: Link) -> None:
        """End the connection."""

    @abstractmethod
    def mend(self, link: Link) -> None:
        """Make a connection possible again."""


class Loopback(Setup):
    """The simulated rig in the same process, on virtual time."""

    def run(self, test: Callable[[Link], Awaitable[None]]) -> None:
        async def body() -> None:
            async with self.link() as link:
                await test(link)

        run_virtual(body())

    @asynccontextmanager
    async def link(self) -> AsyncIterator[Link]:
        async with LoopbackLink(_devices()) as link:
            yield link

    async def camera_dies(self, link: Link) -> None:
        assert isinstance(link, LoopbackLink)
        link.replace(_devices()[0])

    def cut(self, link: Link) -> None:
        assert isinstance(link, LoopbackLink)
        link.disconnect()

    def mend(self, link: Link) -> None:
        assert isinstance(link, LoopbackLink)
        link.reconnect()


def _devices() -> list[Simulator]:
    """The two devices of a new rig."""
    rig = build_rig(RigSettings(), LoopClock(1_795_000_000.0), seed=1)
    names = (Setup.camera, Setup.wheel)
    return [simulator for simulator in rig.simulators if simulator.device in names]


class Served(Setup):
    """Devices behind a server."""

    def __init__(self, server: Server) -> None:
        self.server = server

    @asynccontextmanager
    async def link(self) -> AsyncIterator[Link]:
        async with IndiLink("127.0.0.1", self.server.port) as link:
            yield link

    def cut(self, link: Link) -> None:
        self.server.kill()

    def mend(self, link: Link) -> None:
        self.server.start()


class PythonServer(Served):
    """The simulated rig under indipyserver, where the drivers live and die with the server."""

    async def camera_dies(self, link: Link) -> None:
        self.server.kill()
        self.server.start()


class PythonDriver(Served):
    """The simulated rig as an executable driver of the C indiserver."""

    async def camera_dies(self, link: Link) -> None:
        os.kill(int((self.server.home / "driver.pid").read_text()), signal.SIGKILL)


class CppDrivers(Served):
    """The INDI library's own simulators."""

    camera, wheel = "CCD Simulator", "Filter Simulator"

    async def camera_dies(self, link: Link) -> None:
        await connect(link, self.camera)
        await link.wait(self.camera, "CCD_SIMULATE_CRASH", lambda _: True, timeout_s=ANSWER_S)
        link.set(self.camera, "CCD_SIMULATE_CRASH", {"CRASH": True})


async def connect(link: Link, device: str) -> Vector:
    """Switch a device on, whatever it was before."""
    await link.wait(device, "CONNECTION", lambda _: True, timeout_s=ANSWER_S)
    sent = link.set(device, "CONNECTION", {"CONNECT": True, "DISCONNECT": False})
    return await link.wait(
        device, "CONNECTION", lambda v: v.on("CONNECT"), after=sent, timeout_s=ANSWER_S
    )


@contextlib.contextmanager
def loopback(_: Path) -> Iterator[Setup]:
    """The rig on the loopback."""
    yield Loopback()


@contextlib.contextmanager
def python_server(home: Path) -> Iterator[Setup]:
    """The rig under indipyserver."""
    port = free_port()
    rig = [sys.executable, "-m", "nightloom_drivers.serve", "--speed", str(SPEED)]
    with Server([*rig, "--port", str(port)], home, port).running() as server:
        yield PythonServer(server)


@contextlib.contextmanager
def python_driver(home: Path) -> Iterator[Setup]:
    """The rig under the C indiserver."""
    driver = home / "rig-driver"
    command = f"{sys.executable} -m nightloom_drivers.serve --stdio --speed {SPEED}"
    driver.write_text(f"#!/bin/sh\necho $$ > {home}/driver.pid\nexec {command}\n")
    driver.chmod(0o755)
    with indiserver([str(driver)], home) as server:
        yield PythonDriver(server)


@contextlib.contextmanager
def cpp_drivers(home: Path) -> Iterator[Setup]:
    """The INDI library's simulators under the C indiserver."""
    with indiserver(["indi_simulator_ccd", "indi_simulator_wheel"], home) as server:
        yield CppDrivers(server)
