"""The INDI link where only a real server, or a real load, shows whether it holds."""

import asyncio
import contextlib
import os
import select
import signal
import sys
from pathlib import Path

import pytest

from link.setups import ANSWER_S
from link.test_indi_scripted import BENCH, bytes_of, frame, never, run
from nightloom_drivers.errors import DeviceGone
from nightloom_drivers.link import Event, Found, IndiLink, Link, Lost
from scripted_server import ScriptedServer, scripted
from servers import indiserver


async def _until(link: Link, kind: type[Event]) -> Event:
    """The next event of a kind."""
    queue: asyncio.Queue[Event] = asyncio.Queue()
    with link.listen(lambda event: queue.put_nowait(event) if isinstance(event, kind) else None):
        async with asyncio.timeout(ANSWER_S):
            return await queue.get()


@pytest.mark.servers
def test_a_server_that_hangs_is_given_up_and_found_when_it_recovers(tmp_path: Path) -> None:
    """A stopped server keeps its connections open and says nothing."""

    async def body() -> None:
        with indiserver(["indi_simulator_wheel"], tmp_path) as server:
            link = IndiLink("127.0.0.1", server.port, ping_s=0.1, silence_s=1.0)
            async with link:
                await link.wait("Filter Simulator", "CONNECTION", bool, timeout_s=ANSWER_S)
                await asyncio.sleep(1.5)
                assert link.connected  # quiet, but it answers pings
                server.signal(signal.SIGSTOP)
                lost = await _until(link, Lost)
                assert isinstance(lost, Lost)
                assert "silent" in lost.reason
                server.signal(signal.SIGCONT)
                await link_found(link)
                await link.wait("Filter Simulator", "CONNECTION", bool, timeout_s=ANSWER_S)

    asyncio.run(body())


async def link_found(link: Link) -> None:
    """Wait until the connection stands."""
    if not link.connected:
        await _until(link, Found)


def test_a_server_that_takes_no_requests_is_given_up() -> None:
    """When the buffers are full libindi's send spins for ever; the process is ended instead."""

    async def body() -> None:
        taken = asyncio.Event()

        async def deaf(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await reader.readuntil(b">")
            writer.write(BENCH.encode())
            await taken.wait()
            writer.close()

        server = await asyncio.start_server(deaf, "127.0.0.1", 0, limit=1024)
        port = server.sockets[0].getsockname()[1]
        try:
            async with IndiLink("127.0.0.1", port, ping_s=0.1, silence_s=0.8) as link:
                await link.wait("Bench", "CCD1", bool, timeout_s=ANSWER_S)
                late = asyncio.create_task(link.wait("Bench", "NOTE", never, timeout_s=60))
                for _ in range(200):
                    link.set("Bench", "NOTE", {"LINE": "x" * 60_000})
                with pytest.raises(DeviceGone, match="no request"):
                    await late
        finally:
            taken.set()
            server.close()

    asyncio.run(body())


def test_hundreds_of_frames_leave_neither_memory_nor_descriptors_behind() -> None:
    async def body(server: ScriptedServer, link: IndiLink) -> None:
        link.keep_blobs("Bench")
        await server.until(lambda: bool(server.of("enableBLOB")))
        message = frame(bytes_of(1_440_000)).encode()
        with link.blobs("Bench", "CCD1") as frames:

            async def take(count: int) -> None:
                for _ in range(count):
                    server.say(message)
                    async with asyncio.timeout(ANSWER_S):
                        assert len((await frames.get()).data) == 1_440_000

            await take(20)
            before = _held(link)
            await take(60)
            after = _held(link)
        assert after[0] == before[0]
        assert after[1] <= before[1] + 1  # the last one may still be on its way
        assert after[2] - before[2] < 15 * 1440  # KiB: 15 of the 60 frames

    run(body)


def _held(link: IndiLink) -> tuple[int, int, int]:
    """Descriptors of this process and of the child, and the child's resident memory in KiB."""
    child = Path(f"/proc/{link.child_pid}")
    resident = next(
        line.split()[1] for line in (child / "status").read_text().splitlines() if "VmRSS" in line
    )
    own = len(list(Path("/proc/self/fd").iterdir()))
    return own, len(list((child / "fd").iterdir())), int(resident)


def test_the_child_ends_when_its_parent_was_killed() -> None:
    async def body() -> None:
        async with scripted(BENCH) as server:
            program = (
                "import asyncio\n"
                "from nightloom_drivers.link import IndiLink\n"
                "async def main():\n"
                f"    link = IndiLink('127.0.0.1', {server.port})\n"
                "    await link.open()\n"
                "    print(link.child_pid, flush=True)\n"
                "    await asyncio.sleep(600)\n"
                "asyncio.run(main())\n"
            )
            parent = await asyncio.create_subprocess_exec(
                sys.executable, "-c", program, stdout=asyncio.subprocess.PIPE
            )
            assert parent.stdout is not None
            child = int(await parent.stdout.readline())
            os.kill(parent.pid, signal.SIGKILL)
            await parent.wait()
            await asyncio.get_running_loop().run_in_executor(None, _ended, child)

    asyncio.run(body())


def _ended(pid: int) -> None:
    """Wait until a process that is no child of this one has ended."""
    with contextlib.suppress(ProcessLookupError):
        handle = os.pidfd_open(pid)
        assert select.select([handle], [], [], ANSWER_S)[0]
        os.close(handle)
