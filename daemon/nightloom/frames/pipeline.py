"""FramePipeline: every frame comes down, goes to disk, is measured, judged, amended and recorded.

Each has a task of its own, which belongs to the night: what cuts into a phase does not touch it.
A frame is on disk before anything is asked of it, and how far it has come is in the ledger, so that
a restart finds it there. Nothing in the night waits for verdicts, except its end.
"""

import asyncio
import math
from collections.abc import Callable, Coroutine, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path

from nightloom.executor import Executor, NotComputed
from nightloom.frames.disk import FrameDisk
from nightloom.frames.download import Download
from nightloom.frames.header import HeaderFacts
from nightloom.frames.image import Frame
from nightloom.frames.judging import Judgement, JudgingMemory, judge, look_again
from nightloom.frames.measuring import OF_PIXELS, Measured, Measuring
from nightloom.frames.records import (
    FrameRecords,
    JudgedFrame,
    facts_of,
    facts_taken_back,
    header_facts,
    judging_policy,
)
from nightloom.frames.recovery import recovered
from nightloom.frames.writer import FrameNotRead, read_frame
from nightloom.ledger import Frame as Entered
from nightloom.ledger import Ledger, LedgerBusy, Stage, Sub, in_time
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import VerdictsLeft
from nightloom_drivers.clock import Clock, steady_s
from nightloom_drivers.devices import Exposure
from nightloom_drivers.errors import DeviceError
from nightloom_drivers.frame_kind import FrameKind

DRAIN_S = 300.0
"""The night's end waits no longer for frames; those left are on disk, and the next start's."""


class FramePipeline:
    """Takes frames in, one after another. Its `watch` raises what went wrong with one."""

    def __init__(
        self,
        settings: Settings,
        night: date,
        folder: Path | None,
        ledger: Ledger,
        compute: Executor,
        store: Executor,
        clock: Clock,
        log: Log,
        measuring: Measuring = OF_PIXELS,
    ) -> None:
        self._measuring = measuring
        self._saturation_adu = settings.observatory.camera.saturation_adu
        self._ledger, self._compute, self._store = ledger, compute, store
        self._clock, self._log = clock, log
        self._disk = FrameDisk(folder, settings.policies.frames.name_pattern, night, store, log)
        self._records = FrameRecords(settings, ledger, log)
        self._policy, self._memory = judging_policy(settings), JudgingMemory()
        self._accepted: dict[str, Sub] = {}
        """Tonight's accepted frames, whose verdict a clearer sky may yet change."""
        self._too_dim: dict[str, str] = {}
        """Accepted frames that should not be, and why, until evenness lets them be taken back."""
        self._listeners: list[Callable[[JudgedFrame], None]] = []
        self._in_focus_px: Callable[[Sub], float] = lambda _: math.nan
        self._group: asyncio.TaskGroup | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._downloads: set[Download] = set()
        self._turn = asyncio.Lock()
        self._failed = asyncio.Event()
        self._failures: list[Exception] = []

    # For the night ----------------------------------------------------------------------------

    def listen(self, hear: Callable[[JudgedFrame], None]) -> None:
        """Have each light frame told, in their order, once it is judged and recorded.

        One that an earlier run took says nothing of the sky now, and is not told.
        """
        self._listeners.append(hear)

    def ask(self, in_focus_px: Callable[[Sub], float]) -> None:
        """Have star sizes held against what this says of a sub; NaN where it does not know."""
        self._in_focus_px = in_focus_px

    def begin(self, group: asyncio.TaskGroup) -> None:
        """From now on frames are taken in, by tasks of this group; none raises into it.

        The first thing is to see whether the disk has room.
        """
        self._group = group
        self._own(self._disk.look())

    def recover(self) -> list[Sub]:
        """Bring every sub that an earlier run left in flight to its end, and return them.

        One whose frame is on disk is judged and counted, as if nothing had happened; the others
        count nowhere, and what there is of their files is removed. Files of frames that had been
        taken back say so in the end.
        """
        left = self._ledger.in_flight()
        for sub in left:
            path = recovered(sub, self._disk.folder, self._ledger, self._log)
            if path is not None:
                self._own(self._take_found(sub, path))
        for frame in self._ledger.to_amend():
            if self._disk.holds(frame):
                self._own(self._amend(frame))
        return left

    @property
    def busy(self) -> bool:
        """Whether frames are on their way to their verdicts."""
        return bool(self._tasks)

    async def watch(self) -> None:
        """Wait for what goes wrong, and raise it: FramesNotKept, LedgerError, or a mistake."""
        await self._failed.wait()
        raise self._failures[0]

    async def downloaded(self) -> None:
        """Wait until the camera is free of frames that are still coming down."""
        for download in list(self._downloads):
            try:
                await download.arrived()
            except DeviceError:  # it has been said, and the camera is free of it
                continue

    async def drain(self) -> None:
        """Wait until every frame has its verdict, within a deadline."""
        if not self._tasks:
            return
        _, late = await asyncio.wait(self._tasks, timeout=DRAIN_S)
        if late:
            self._log.emit(VerdictsLeft(uids=[sub.uid for sub in self._ledger.in_flight()]))

    async def take_back(self, guides: Mapping[str, float]) -> None:
        """Take back accepted frames that turned out too dim, as far as the tally stays even.

        `guides` is what the guide stars make of earlier subs now: transparencies by their names.
        For the moment before the next sub is chosen, which is then chosen without them.
        """
        self._memory, too_dim = look_again(self._memory, guides, self._policy)
        self._too_dim.update(too_dim)
        for uid, reason in list(self._too_dim.items()):
            known = self._accepted.get(uid)  # none: lost, or its verdict is still being written
            if known is None or not self._records.may_take_back(known):
                continue
            del self._accepted[uid], self._too_dim[uid]
            await self._amend(await in_time(partial(self._records.take_back, known, reason)))

    def stop(self) -> None:
        """End the work, wherever it is."""
        for task in self._tasks:
            task.cancel()

    def take(self, sub: Sub, facts: HeaderFacts, exposure: Exposure) -> Download:
        """Take in a sub whose shutter has closed: from here on nothing throws it away."""
        with suppress(LedgerBusy):  # it is written with the next stage, once the ledger is free
            self._ledger.follow_sub(sub)
        download = Download()
        self._downloads.add(download)
        self._own(self._take(sub, facts, exposure, download))
        return download

    def _own(self, work: Coroutine[object, object, None]) -> None:
        if self._group is None:
            raise RuntimeError("the pipeline has not begun")
        task = self._group.create_task(self._guarded(work))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _guarded(self, work: Coroutine[object, object, None]) -> None:
        """Do it; what goes wrong is for who watches, and must not end the night from within."""
        try:
            await work
        except Exception as error:  # noqa: BLE001  # raised by `watch`
            self._failures.append(error)
            self._failed.set()

    # From the shutter to the verdict ------------------------------------------------------------

    async def _take(
        self, sub: Sub, facts: HeaderFacts, exposure: Exposure, download: Download
    ) -> None:
        closed_s = steady_s()
        try:
            frame = await exposure.frame()
        except DeviceError as error:
            await self._cancel(sub, str(error))
            download.end(error)
            return
        finally:
            self._downloads.discard(download)
        self._records.ended(sub, steady_s() - closed_s, frame.doubt)
        path = self._disk.path(sub, frame.start)
        sub = replace(sub, stage=Stage.ARRIVED, start_utc=frame.start, path=path)
        download.end()
        await in_time(partial(self._ledger.follow_sub, sub))
        facts = replace(facts, kind=sub.kind, uid=sub.uid, started_at=frame.start)
        sub, lost = await self._keep(sub, frame.data, facts)
        async with self._turn:
            measured, judgement = await self._process(sub, frame.data, facts, lost)
        if sub.kind is FrameKind.LIGHT:
            for hear in self._listeners:
                hear(JudgedFrame(sub, measured, judgement))

    async def _take_found(self, sub: Sub, path: Path) -> None:
        """Judge a frame that is on disk; one that cannot be read is left as it is."""
        try:
            data = await self._store(read_frame, path)
        except FrameNotRead as error:
            unread = Measured(unmeasured=str(error)), Judgement(str(error)), ""
            await in_time(partial(self._records.enter, sub, *unread))
            return
        async with self._turn:
            await self._process(sub, data, HeaderFacts(kind=sub.kind))

    async def _amend(self, frame: Entered) -> None:
        """Have the file of a frame say that it was taken back, as the ledger says already."""
        sha256, _ = await self._disk.amend(frame, facts_taken_back(frame))
        if sha256:
            await in_time(partial(self._ledger.amended, frame.uid, sha256))

    async def _cancel(self, sub: Sub, reason: str) -> None:
        cancelled = replace(sub, stage=Stage.CANCELLED, outcome=reason)
        await in_time(partial(self._ledger.follow_sub, cancelled))
        self._records.cancelled(sub, reason)

    async def _keep(self, sub: Sub, data: Frame, facts: HeaderFacts) -> tuple[Sub, str]:
        """Put a frame on disk before anything else; the reason when the disk
        does not take it.
        """
        lost = await self._disk.write(sub, data, facts)
        if lost:
            return replace(sub, path=""), lost
        if sub.path:
            sub = replace(sub, stage=Stage.STORED)
            await in_time(partial(self._ledger.follow_sub, sub))
        return sub, ""

    async def _process(
        self, sub: Sub, data: Frame, facts: HeaderFacts, lost: str = ""
    ) -> tuple[Measured, Judgement]:
        """Measure, judge, amend and record a frame.

        One that was lost on its way to the disk does not count. Raises FramesNotKept.
        """
        measured = await self._measure(sub, data)
        judgement = self._judge(sub, measured)
        if lost:
            judgement = replace(judgement, reason=lost)
        judged = header_facts(facts, measured, judgement)
        sha256, lost = await self._disk.amend(sub, judged)
        if lost:
            judgement = replace(judgement, reason=lost)
        await in_time(partial(self._records.enter, sub, measured, judgement, sha256))
        if judgement.accepted:
            self._accepted[sub.uid] = sub
        self._too_dim.update(judgement.too_dim)
        self._disk.check()
        return measured, judgement

    async def _measure(self, sub: Sub, data: Frame) -> Measured:
        """A light's stars; the reason, when whoever measures died of it or never came back."""
        if sub.kind is not FrameKind.LIGHT:
            return Measured(unmeasured=f"a {sub.kind} has no stars")
        try:
            return Measured(await self._compute(self._measuring.frame, data, self._saturation_adu))
        except NotComputed as error:
            return Measured(unmeasured=f"could not be measured: {error.reason}")

    def _judge(self, sub: Sub, measured: Measured) -> Judgement:
        """A light is held to those before it; whatever else is on disk counts."""
        if sub.kind is not FrameKind.LIGHT:
            return Judgement()
        facts = facts_of(sub, measured, self._in_focus_px(sub))
        self._memory, judgement = judge(facts, self._memory, self._policy)
        return judgement
