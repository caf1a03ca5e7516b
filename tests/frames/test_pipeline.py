"""Frames on their way to a verdict: on disk first, and never waited for without end."""

import asyncio
import hashlib
import shutil
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, TypeVar, TypeVarTuple, cast

import numpy as np
import pytest
from astropy.io import fits

from night.nights import NIGHT, demo
from nightloom.errors import FramesNotKept
from nightloom.executor import Executor, InLine, Threads, Workers
from nightloom.frames import HeaderFacts, partial_of
from nightloom.frames import pipeline as taking_in
from nightloom.frames.disk import RESERVED_BYTES, UNWRITTEN_MAX
from nightloom.frames.download import Download
from nightloom.frames.pipeline import FramePipeline
from nightloom.ledger import FILE_NAME, Frame, Ledger, Stage, Sub, uid_of
from nightloom.telemetry import Event, Log
from nightloom.telemetry import events as e
from nightloom_drivers.clock import LoopClock
from nightloom_drivers.devices import CameraFrame as DeviceFrame
from nightloom_drivers.devices import Exposure
from nightloom_drivers.errors import DeviceLate
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.virtual_loop import run_virtual
from worker_tasks import dies, hangs

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

BEGIN_S = 1_794_340_800.0
SHAPE = (800, 800)
"""Large enough to be handed to a worker in shared memory."""


@dataclass
class Room:
    """An pipeline, its ledger, where its frames go, and what was said."""

    pipeline: FramePipeline
    ledger: Ledger
    folder: Path
    said: list[Event] = field(default_factory=list)

    def take(
        self, number: int, exposure: Any = None, kind: FrameKind = FrameKind.LIGHT
    ) -> Download:
        """Take in a sub whose shutter has closed."""
        begun = datetime.fromtimestamp(BEGIN_S, UTC) + timedelta(minutes=number)
        seen = ("NGC 891", "L") if kind is FrameKind.LIGHT else ("", "")
        sub = Sub(uid_of(str(NIGHT), number), str(NIGHT), *seen, 60.0, number, begun, kind=kind)
        self.ledger.begin_sub(sub)
        given = exposure or Here(begun)
        facts = HeaderFacts(kind=kind, exposure_s=60.0)
        return self.pipeline.take(replace(sub, stage=Stage.CLOSED), facts, cast(Exposure, given))

    def frames(self) -> list[Frame]:
        return self.ledger.frames()


class Here:
    """Stands in for an exposure whose frame is there."""

    def __init__(self, start: datetime) -> None:
        self._start = start

    async def frame(self) -> DeviceFrame:
        sky = np.random.default_rng(3).normal(900.0, 8.0, SHAPE).astype(np.uint16)
        return DeviceFrame(sky, {}, self._start, 60.0)


class Never:
    """Stands in for an exposure whose frame does not come."""

    async def frame(self) -> DeviceFrame:
        raise DeviceLate("Camera", "CCD_EXPOSURE", asked="a light of 60 s", seen="no frame")


@asynccontextmanager
async def room(out: Path, compute: Executor, store: Executor) -> AsyncIterator[Room]:
    """An pipeline at work in its group of tasks; those that are left are ended with it."""
    settings, _ = demo(targets={"L": 60.0})
    clock = LoopClock(BEGIN_S)
    log = Log(clock)
    with Ledger(out / FILE_NAME) as ledger:
        pipeline = FramePipeline(
            settings,
            NIGHT,
            out / "frames",
            ledger,
            compute,
            store,
            clock,
            log,
        )
        here = Room(pipeline, ledger, out / "frames")
        with log.listen(lambda _, event: here.said.append(event)):
            async with asyncio.TaskGroup() as group:
                pipeline.begin(group)
                yield here
                pipeline.stop()


@pytest.mark.parametrize("deadly", [dies, hangs])
def test_a_frame_that_ends_its_worker_stays_and_the_next_one_is_measured(
    deadly: Callable[[*tuple[object, ...]], None], tmp_path: Path
) -> None:
    """Real worker processes. The frame is on disk while it is measured, and after it."""

    async def work(workers: Workers) -> None:
        calls = iter((deadly, None))

        async def compute(function: Callable[[*Ts], T], *given: *Ts) -> T:
            on_disk = max(here.folder.rglob("*.fits"))
            assert fits.getheader(on_disk)["VERDICT"] == "not judged yet"
            if (ending := next(calls)) is not None:
                await workers(ending, *given)
            return await workers(function, *given)

        async with room(tmp_path, compute, Threads()) as here:
            here.take(1)
            await here.pipeline.drain()
            here.take(2)
            await here.pipeline.drain()
            first, second = here.frames()
            assert not here.pipeline.busy
        assert first.verdict == "rejected"
        assert first.reason.startswith("could not be measured: its worker died, or gave no answer")
        path = here.folder / first.path
        assert hashlib.sha256(path.read_bytes()).hexdigest() == first.sha256
        assert fits.getheader(path)["VERDICT"].startswith("rejected: could not be measured")
        assert "measured" not in second.reason
        assert second.stars is not None

    with Workers(deadline_s=4.0) as workers:
        asyncio.run(work(workers))


def test_the_end_does_not_wait_for_ever_and_the_next_start_judges_what_is_left(
    tmp_path: Path,
) -> None:
    """One frame is never measured: the drain says so, and the second start counts it, once."""

    async def stuck(function: Callable[[*Ts], T], *arguments: *Ts) -> T:
        never: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        return await never

    async def first() -> float:
        async with room(tmp_path, stuck, InLine()) as here:
            here.take(1)
            began_s = asyncio.get_running_loop().time()
            await here.pipeline.drain()
            took_s = asyncio.get_running_loop().time() - began_s
            assert [type(event) for event in here.said] == [e.SubEnded, e.VerdictsLeft]
            assert [sub.stage for sub in here.ledger.in_flight()] == [Stage.STORED]
            return took_s

    async def again(found: int) -> None:
        async with room(tmp_path, InLine(), InLine()) as here:
            assert len(here.pipeline.recover()) == found
            await here.pipeline.drain()
            (frame,) = here.frames()
            assert frame.uid == uid_of(str(NIGHT), 1)
            assert here.ledger.in_flight() == []
            judged = [
                one for one in here.said if isinstance(one, e.FrameAccepted | e.FrameRejected)
            ]
            assert len(judged) == found

    assert run_virtual(first()) == taking_in.DRAIN_S
    run_virtual(again(1))
    run_virtual(again(0))


def test_a_disk_that_refuses_frame_after_frame_is_told_to_who_watches(tmp_path: Path) -> None:
    (tmp_path / "frames").touch()

    async def work() -> None:
        async with room(tmp_path, InLine(), InLine()) as here:
            for number in range(1, UNWRITTEN_MAX + 1):
                watch = asyncio.create_task(here.pipeline.watch())
                here.take(number)
                await here.pipeline.drain()
                assert watch.done() == (number == UNWRITTEN_MAX)
                watch.cancel()
            with pytest.raises(FramesNotKept, match="3 frames in a row"):
                await here.pipeline.watch()
            assert [(one.verdict, one.path) for one in here.frames()] == [("rejected", "")] * 3
            assert here.ledger.in_flight() == []

    run_virtual(work())


def test_a_disk_that_fills_is_told_of_in_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At a long night's worth of frames, at the last few, and at the last, which counts."""
    frame_bytes, rooms = 2 * SHAPE[0] * SHAPE[1], iter([10**9, 1000, 299, 298, 29, 28, 0])

    def usage(_: Path) -> SimpleNamespace:
        return SimpleNamespace(free=RESERVED_BYTES + next(rooms) * frame_bytes)

    monkeypatch.setattr(shutil, "disk_usage", usage)

    async def work() -> None:
        async with room(tmp_path, InLine(), InLine()) as here:
            watch = asyncio.create_task(here.pipeline.watch())
            for number in range(1, 7):
                assert not watch.done()
                here.take(number)
                await here.pipeline.drain()
            told = [one.frames_left for one in here.said if isinstance(one, e.DiskFilling)]
            assert told == [299, 29]
            with pytest.raises(FramesNotKept, match="has no room for another frame"):
                await watch
            assert all(frame.path for frame in here.frames())
            assert len(here.frames()) == 6

    run_virtual(work())


def test_a_disk_without_room_is_told_before_the_first_frame(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = SimpleNamespace(free=RESERVED_BYTES)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: full)

    async def work() -> None:
        async with room(tmp_path, InLine(), InLine()) as here:
            with pytest.raises(FramesNotKept, match="has no room for another frame"):
                await here.pipeline.watch()
            assert here.frames() == []

    run_virtual(work())


def test_a_disk_that_takes_a_frame_again_is_forgiven(tmp_path: Path) -> None:
    """Refusals are counted in a row."""
    refuses = tmp_path / "frames"

    async def work() -> None:
        async with room(tmp_path, InLine(), InLine()) as here:
            watch, number = asyncio.create_task(here.pipeline.watch()), 0
            for _ in range(2):
                refuses.touch()
                for _ in range(UNWRITTEN_MAX - 1):
                    here.take(number := number + 1)
                    await here.pipeline.drain()
                refuses.unlink()
                here.take(number := number + 1)
                await here.pipeline.drain()
                shutil.rmtree(refuses)
            assert not watch.done()
            watch.cancel()
            assert [bool(frame.path) for frame in here.frames()] == [False, False, True] * 2

    run_virtual(work())


def test_a_frame_that_never_comes_counts_nowhere(tmp_path: Path) -> None:
    """Whoever waits is told, whether it waits or not; the camera is free of it."""

    async def work() -> None:
        async with room(tmp_path, InLine(), InLine()) as here:
            download = here.take(1, Never())
            await here.pipeline.downloaded()
            with pytest.raises(DeviceLate):
                await download.arrived()
            await here.pipeline.drain()
            assert (here.frames(), here.ledger.in_flight()) == ([], [])
            assert [type(event) for event in here.said] == [e.SubCancelled]

    run_virtual(work())


@pytest.mark.parametrize("there", ["nothing", "a part", "another frame", "no frame"])
def test_what_is_found_under_the_name_of_a_sub_in_flight(there: str, tmp_path: Path) -> None:
    """Only its own frame is counted; another's is left alone, and so is what cannot be read."""
    path = tmp_path / "frames" / "a" / "one.fits"
    path.parent.mkdir(parents=True)
    begun = datetime.fromtimestamp(BEGIN_S, UTC)
    with Ledger(tmp_path / FILE_NAME) as ledger:
        sub = Sub("n-0001", str(NIGHT), "NGC 891", "L", 60.0, 1, begun, airmass=1.2)
        ledger.begin_sub(sub)
        ledger.follow_sub(replace(sub, stage=Stage.ARRIVED, start_utc=begun, path="a/one.fits"))
    if there == "a part":
        partial_of(path).write_bytes(b"half a frame")
    elif there == "another frame":
        header = fits.Header({"FRAMEID": "n-0002"})
        fits.PrimaryHDU(np.zeros((4, 4), np.uint16), header).writeto(path)
    elif there == "no frame":
        path.write_bytes(b"what the disk made of it" * 400)
    before = path.read_bytes() if path.exists() else None

    async def work() -> None:
        async with room(tmp_path, InLine(), InLine()) as here:
            here.pipeline.recover()
            await here.pipeline.drain()
            assert here.ledger.in_flight() == []
            frames = here.frames()
            assert [frame.verdict for frame in frames] == ["rejected"] * (there == "no frame")
            if frames:
                assert "could not be read" in frames[0].reason
            kinds = [type(event) for event in here.said]
            assert (e.PartialRemoved in kinds) == (there == "a part")
            assert (e.FrameFound in kinds) == (there == "no frame")

    run_virtual(work())
    assert (path.read_bytes() if path.exists() else None) == before
    assert list(path.parent.iterdir()) == ([path] if before else [])


@pytest.mark.parametrize("kind", [FrameKind.DARK, FrameKind.BIAS, FrameKind.FLAT])
def test_a_frame_that_is_no_light_is_kept_by_its_kind_and_belongs_to_no_target(
    kind: FrameKind, tmp_path: Path
) -> None:
    """Nobody asks it for stars, and nobody who looks at the sky or the focus hears of it."""

    async def work() -> None:
        async with room(tmp_path, InLine(), InLine()) as here:
            heard = list[Any]()
            here.pipeline.listen(heard.append)
            here.take(1, kind=kind)
            await here.pipeline.drain()
            (frame,) = here.frames()
            assert (frame.kind, frame.verdict, frame.stars) == (kind, "accepted", None)
            assert fits.getheader(here.folder / frame.path)["IMAGETYP"] == kind.upper()
            assert (here.ledger.targets(), heard) == ([], [])
            here.take(2)
            await here.pipeline.drain()
            assert here.ledger.targets() == ["NGC 891"]
            assert [one.sub.kind for one in heard] == [FrameKind.LIGHT]

    run_virtual(work())
