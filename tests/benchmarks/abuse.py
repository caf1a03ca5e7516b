"""A night with bad callers at its interface half of the time: the gaps between subs, in seconds.

Rehearses a short night through a real INDI socket with the HTTP interface up. By turns callers
without a token, with a wrong one, with endless bodies, slow ones, 200 idle streams and streams that
never read come all at once, from a process of their own, and nobody comes.

The night passes faster than a real one, and what callers cost does not: a gap that takes a real
second more per ten here takes it per hundred in a real night. Both figures are printed.

    .uv/bin/uv run python tests/benchmarks/abuse.py [--minutes 25] [--speed 5] [--limits]
"""

import argparse
import asyncio
import contextlib
import json
import multiprocessing
import resource
import statistics
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from night.nights import NIGHT, demo
from nightloom.night.context import Context
from nightloom.night.telling import told_of_night
from nightloom.rehearsal import Rehearsal, play_over_socket
from nightloom.remote.server import remote
from nightloom.requests import Answer, Ask, Refused, Request, Told
from nightloom.settings import Settings
from nightloom_drivers.clock import WallClock
from remote.halls import TOKEN, request, with_token

SLOWER_MAX = 0.02
MEMORY_MB_MAX = 60.0
SUB_S = 8.0
FILTERS = ("L", "R", "G", "B", "Ha", "OIII", "SII")
"""Many, since the gap after each cycle has a dither and is not compared."""

TURN_S = 120.0
IDLE_STREAMS, DEAF_STREAMS, HAMMERS, SLOW = 200, 20, 8, 30


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=25.0, help="dark minutes of each night")
    parser.add_argument("--speed", type=float, default=5.0, help="seconds that pass in a second")
    parser.add_argument("--limits", action="store_true", help="fail on a missed promise")
    said = parser.parse_args()
    calm, busy, grown_mb, refusals = night(said.minutes, said.speed)
    for name, gaps in (("alone", calm), ("abused", busy)):
        lengths_s = [gap.length_s for gap in gaps]
        print(
            f"{name:7} {len(gaps)} gaps, mean {statistics.fmean(lengths_s):.3f} s,"
            f" longest {max(lengths_s):.3f} s"
        )
    usual_s = {gap.change: 0.0 for gap in calm if any(gap.change == one.change for one in busy)}
    for change in usual_s:
        usual_s[change] = statistics.median(one.length_s for one in calm if one.change == change)
    more = [gap.length_s - usual_s[gap.change] for gap in busy if gap.change in usual_s]
    more_s, usual = statistics.fmean(more), statistics.fmean(usual_s.values())
    here, real = (part / usual for part in (more_s, more_s / said.speed))
    print(f"{len(more)} abused gaps against the median of the same change of filters alone:")
    print(f"gaps {100 * here:+.1f} % at this speed, {1000 * more_s / said.speed:+.0f} ms each;")
    print(f"{100 * real:+.1f} % in a real night; memory grew by {grown_mb:.0f} MB while abused")
    print(f"refused: {', '.join(sorted(refusals))}")
    return int(said.limits and (real > SLOWER_MAX or grown_mb > MEMORY_MB_MAX))


@dataclass(frozen=True)
class Gap:
    """From the end of an exposure to the next one, when no dither and no focus is between."""

    ended_s: float
    length_s: float
    change: str
    """The filters of both."""


def night(minutes: float, speed: float) -> tuple[list[Gap], list[Gap], float, set[str]]:
    """Gaps alone and abused, the memory that was added by callers, and what was refused."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        settings, rig = demo(
            targets=dict.fromkeys(FILTERS, SUB_S),
            policies={
                "acquire": {"cool_before_s": 0.0, "begin_before_s": 0.0, "open_before_s": 60.0},
                "remote": {"port": 0, "token_file": with_token(out)},
            },
        )
        observatory = settings.observatory.model_copy(update={"output_folder": out})
        settings = Settings(observatory, settings.targets, settings.policies, settings.rig)
        (out / "logs").mkdir()
        rehearsal = Rehearsal(settings, rig, NIGHT, out / "logs", 7, minutes / 60)
        turns = Turns()

        async def beside(context: Context) -> None:
            await seen(settings, context, turns)

        play_over_socket(rehearsal, speed, person=beside)
        text = rehearsal.log_file.read_text()
        assert TOKEN not in text
        lines = [json.loads(line) for line in text.splitlines()]
        refused = {line["reason"] for line in lines if line["event"] == "remote_refused"}
        gaps = list(gaps_of(lines))
        busy = [gap for gap in gaps if turns.abused(gap.ended_s)]
        calm = [gap for gap in gaps if not turns.abused(gap.ended_s)]
        return calm, busy, turns.grown_mb, refused


@dataclass
class Turns:
    """When callers came and went, in the night's seconds, and what they added to memory."""

    times_s: list[tuple[float, float]] = field(default_factory=list)
    grown_mb: float = 0.0

    def abused(self, at_s: float) -> bool:
        return any(begin_s <= at_s <= end_s for begin_s, end_s in self.times_s)


def memory_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


async def seen(settings: Settings, context: Context, turns: Turns) -> None:
    """Have the interface up beside the night, and callers at it from the first sub on."""

    def hear(asked: Request, _: str) -> Answer:
        if isinstance(asked, Ask):
            return Told(status=told_of_night(context))
        return Refused(why="This is a rehearsal.")

    port = asyncio.get_running_loop().create_future()

    def note(_: datetime, event: object) -> None:
        if type(event).__name__ == "RemoteListening" and not port.done():
            port.set_result(int(event.url.rstrip("/").rpartition(":")[2]))  # type: ignore[attr-defined]

    with context.log.listen(note):
        async with remote(settings, hear, context.log, WallClock()):
            there = await port
            while True:
                await asyncio.sleep(TURN_S)
                await abused(there, context, turns)


async def abused(port: int, context: Context, turns: Turns) -> None:
    """Callers for one turn."""
    before_mb, begin_s = memory_mb(), context.clock.unix_s()
    callers = multiprocessing.get_context("spawn").Process(target=call, args=(port,))
    callers.start()
    try:
        await asyncio.sleep(TURN_S)
        turns.grown_mb = max(turns.grown_mb, memory_mb() - before_mb)
    finally:
        callers.kill()
        callers.join()
        turns.times_s.append((begin_s, context.clock.unix_s()))


def gaps_of(lines: list[dict[str, str]]) -> Iterator[Gap]:
    """The gaps that can be compared."""
    before: tuple[float, str] | None = None
    for line in lines:
        at_s = datetime.fromisoformat(line["utc"]).timestamp()
        if line["event"] == "sub_begun":
            if before is not None:
                yield Gap(at_s, at_s - before[0], f"{before[1]} to {line['filter']}")
            before = at_s + float(line["exposure_s"]), line["filter"]
        elif line["event"] in ("phase_changed", "dithered", "focus_checked", "focus_curve"):
            before = None


# The callers ----------------------------------------------------------------------------------


def call(port: int) -> None:
    """Come in all bad ways at once, until killed."""

    async def every() -> None:
        async with asyncio.TaskGroup() as group:
            for _ in range(IDLE_STREAMS):
                group.create_task(again(port, request("/log?from=now", port, token=TOKEN), 60.0))
            for _ in range(DEAF_STREAMS):
                group.create_task(again(port, request("/log", port, token=TOKEN), 60.0, deaf=True))
            for _ in range(SLOW):
                group.create_task(again(port, b"GET /status HT", 60.0))
            long = request(
                "/requests", port, {"Content-Length": "99999"}, "POST", b"x" * 9000, TOKEN
            )
            for said in (request("/status", port), request("/status", port, token="x" * 64), long):
                for _ in range(HAMMERS):
                    group.create_task(again(port, said, 0.01))

    asyncio.run(every())


async def again(port: int, said: bytes, for_s: float, *, deaf: bool = False) -> None:
    """Say it, hear what comes for a while, and begin anew."""
    while True:
        with contextlib.suppress(OSError, TimeoutError):
            reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2048)
            writer.write(said)
            async with asyncio.timeout(for_s):
                if deaf:
                    await asyncio.sleep(for_s)
                while await reader.read(65536):
                    pass
            writer.transport.abort()
        await asyncio.sleep(0.02)


if __name__ == "__main__":
    sys.exit(main())
