"""FramePipeline: every light frame comes down, goes to disk, is measured, judged and recorded.

Each has a task of its own, which belongs to the night: what cuts into a phase does not touch it.
A frame is on disk before anything is asked of it, and how far it has come is in the ledger, so that
a restart finds it there. Nothing in the night waits for verdicts, except its end.
"""

import asyncio
from collections.abc import Coroutine
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightloom.clouds import FrameFacts as CloudFacts
from nightloom.clouds import FramePolicy, FrameReference, Verdict, judge_frame
from nightloom.clouds.monitor import CloudMonitor
from nightloom.cycle import cycles_done
from nightloom.executor import Executor, NotComputed
from nightloom.focusing import at_zenith_px
from nightloom.focusing.runs import Focusing
from nightloom.frames import (
    RECENT_GUIDED,
    FrameExists,
    FrameFacts,
    FrameNotRead,
    FrameNotWritten,
    QualityPolicy,
    StarField,
    Usual,
    amend_frame,
    frame_at,
    guided_as_usual,
    header_to_judge,
    judged_cards,
    partial_of,
    quality_doubt,
    read_frame,
    remove_partial,
    write_frame,
)
from nightloom.frames.measuring import NOT_MEASURED, measure_frame
from nightloom.ledger import Frame, Ledger, Stage, Sub, number_of
from nightloom.ledger import Verdict as Entry
from nightloom.settings import Settings, cycle_of
from nightloom.settings.frame_path import NameFacts, NamePattern
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    CycleCompleted,
    FrameAccepted,
    FrameFound,
    FrameLost,
    FrameRejected,
    PartialRemoved,
    SubCancelled,
    SubEnded,
    VerdictsLeft,
)
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import Exposure
from nightloom_drivers.errors import DeviceError

UNWRITTEN_MAX = 3
"""Frames in a row that the disk refused: by then it will not take the next one either."""

DRAIN_S = 300.0
"""The night's end waits no longer for frames; those left are on disk, and the next start's."""

ENDED = "the daemon had ended"


class FramesNotKept(Exception):
    """The disk refuses frame after frame: gathering more would be for nothing."""

    def __init__(self, frames: int, last: Exception) -> None:
        super().__init__(f"{frames} frames in a row were not written; the last: {last}")
        self.frames, self.last = frames, last


class Download:
    """A frame on its way from the camera, which goes on whatever becomes of who waits for it."""

    def __init__(self) -> None:
        self._over = asyncio.Event()
        self._error: DeviceError | None = None

    def end(self, error: DeviceError | None = None) -> None:
        """It is here, or will never come."""
        self._error = error
        self._over.set()

    async def arrived(self) -> None:
        """Return when the frame is here. Raises DeviceError when it does not come."""
        await self._over.wait()
        if self._error is not None:
            raise self._error


class FramePipeline:
    """Takes light frames in, one after another. Its `watch` raises what went wrong with one."""

    def __init__(
        self,
        settings: Settings,
        night: date,
        folder: Path | None,
        ledger: Ledger,
        compute: Executor,
        store: Executor,
        cloud_monitor: CloudMonitor,
        focusing: Focusing,
        clock: Clock,
        log: Log,
    ) -> None:
        self._settings, self._night, self._folder = settings, night, folder
        self._ledger, self._compute, self._store = ledger, compute, store
        self._cloud_monitor, self._focusing = cloud_monitor, focusing
        self._clock, self._log = clock, log
        self._pattern = NamePattern(settings.policies.frames.name_pattern)
        self._references: dict[tuple[str, str], FrameReference] = {}
        self._usual: dict[str, Usual] = {}
        self._usual_guiding = Usual(RECENT_GUIDED)
        self._group: asyncio.TaskGroup | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._downloads: set[Download] = set()
        self._turn = asyncio.Lock()
        self._failed = asyncio.Event()
        self._failures: list[Exception] = []
        self._unwritten = 0

    # For the night ----------------------------------------------------------------------------

    def begin(self, group: asyncio.TaskGroup) -> None:
        """From now on frames are taken in, by tasks of this group; none raises into it."""
        self._group = group

    def recover(self) -> list[Sub]:
        """Bring every sub that an earlier run left in flight to its end, and return them.

        One whose frame is on disk is judged and counted, as if nothing had happened; the others
        count nowhere, and what there is of their files is removed.
        """
        left = self._ledger.in_flight()
        for sub in left:
            self._recover(sub)
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

    def stop(self) -> None:
        """End the work, wherever it is."""
        for task in self._tasks:
            task.cancel()

    # From the shutter to the verdict ------------------------------------------------------------

    def take(self, sub: Sub, facts: FrameFacts, exposure: Exposure) -> Download:
        """Take in a sub whose shutter has closed: from here on nothing throws it away."""
        self._ledger.follow_sub(sub)
        download = Download()
        self._downloads.add(download)
        self._own(self._take(sub, facts, exposure, download))
        return download

    def _own(self, work: Coroutine[Any, Any, None]) -> None:
        if self._group is None:
            raise RuntimeError("the pipeline has not begun")
        task = self._group.create_task(self._guarded(work))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _guarded(self, work: Coroutine[Any, Any, None]) -> None:
        """Do it; what goes wrong is for who watches, and must not end the night from within."""
        try:
            await work
        except Exception as error:  # noqa: BLE001  # raised by `watch`
            self._fail(error)

    def _fail(self, error: Exception) -> None:
        self._failures.append(error)
        self._failed.set()

    async def _take(
        self, sub: Sub, facts: FrameFacts, exposure: Exposure, download: Download
    ) -> None:
        closed_s = self._clock.unix_s()
        try:
            frame = await exposure.frame()
        except DeviceError as error:
            self._cancel(sub, str(error))
            download.end(error)
            return
        finally:
            self._downloads.discard(download)
        self._log.emit(SubEnded(uid=sub.uid, download_s=self._clock.unix_s() - closed_s))
        sub = replace(sub, stage=Stage.ARRIVED, start_utc=frame.start)
        if self._folder is not None:
            sub = replace(sub, path=self._path(sub, frame.start))
        self._ledger.follow_sub(sub)
        download.end()
        facts = replace(facts, uid=sub.uid, started_at=frame.start)
        sub, doubt = await self._keep(sub, frame.data, facts)
        async with self._turn:
            await self._process(sub, frame.data, facts, doubt)

    def _cancel(self, sub: Sub, reason: str) -> None:
        self._ledger.follow_sub(replace(sub, stage=Stage.CANCELLED, outcome=reason))
        self._log.emit(SubCancelled(uid=sub.uid, open_s=sub.exposure_s, reason=reason))

    async def _keep(self, sub: Sub, data: NDArray[np.uint16], facts: FrameFacts) -> tuple[Sub, str]:
        """Put a frame on disk before anything else; the reason when the disk does not take it."""
        if self._folder is None:
            return sub, ""
        try:
            header = header_to_judge(facts)
            await self._store(write_frame, self._folder / sub.path, data, header)
        except (FrameExists, FrameNotWritten) as error:
            return replace(sub, path=""), self._lost(sub, error)
        self._unwritten = 0
        sub = replace(sub, stage=Stage.STORED)
        self._ledger.follow_sub(sub)
        return sub, ""

    async def _process(
        self, sub: Sub, data: NDArray[np.uint16], facts: FrameFacts, doubt: str, fresh: bool = True
    ) -> None:
        """Measure, judge and enter a frame. One that is not `fresh` says nothing of the sky now."""
        stars, unmeasured = await self._measure(data)
        verdict = self._judge(sub, stars, unmeasured, fresh)
        if doubt:
            verdict = replace(verdict, accepted=False, reason=doubt)
        digest = ""
        if sub.path and self._folder is not None:
            judged = judged_cards(
                replace(
                    facts,
                    half_flux_radius_px=stars.half_flux_radius_px,
                    star_count=None if unmeasured else stars.count,
                    verdict="accepted" if verdict.accepted else f"rejected: {verdict.reason}",
                )
            )
            try:
                digest = await self._store(amend_frame, self._folder / sub.path, judged)
            except FrameNotWritten as error:
                verdict = replace(verdict, accepted=False, reason=self._lost(sub, error))
        self._record(sub, stars, verdict, digest)
        if fresh and verdict.transparency is not None and not sub.bumped and not unmeasured:
            self._cloud_monitor.frame(verdict.transparency)

    async def _measure(self, data: NDArray[np.uint16]) -> tuple[StarField, str]:
        """Its stars; none, and the reason, when whoever measures died of it or never came back."""
        saturation_adu = self._settings.observatory.camera.saturation_adu
        try:
            return await self._compute(measure_frame, data, saturation_adu), ""
        except NotComputed as error:
            return NOT_MEASURED, f"could not be measured: {error.reason}"

    def _lost(self, sub: Sub, error: FrameExists | FrameNotWritten) -> str:
        """A frame that is not on disk does not count; too many in a row end the night."""
        self._log.emit(FrameLost(uid=sub.uid, reason=str(error)))
        self._unwritten += 1
        if self._unwritten >= UNWRITTEN_MAX:
            self._fail(FramesNotKept(self._unwritten, error))
        return str(error)

    # After a crash ------------------------------------------------------------------------------

    def _recover(self, sub: Sub) -> None:
        path = None if self._folder is None or not sub.path else self._folder / sub.path
        if path is None:
            self._gone(sub)
            return
        try:
            whole = frame_at(path) == sub.uid
        except FrameNotRead:
            whole = True  # it is said with the verdict
        try:
            removed = remove_partial(path)
        except OSError as refusal:
            removed = False
            self._log.emit(FrameLost(uid=sub.uid, reason=f"{partial_of(path)} stays: {refusal}"))
        if whole:
            self._log.emit(FrameFound(uid=sub.uid, path=sub.path))
            self._own(self._process_found(sub, path))
            return
        if removed:
            self._log.emit(PartialRemoved(uid=sub.uid, path=sub.path))
        if sub.stage is Stage.STORED:
            self._log.emit(FrameLost(uid=sub.uid, reason=f"{path} was stored and is not there"))
        self._gone(sub)

    def _gone(self, sub: Sub) -> None:
        self._ledger.follow_sub(replace(sub, stage=Stage.CANCELLED, path="", outcome=ENDED))

    async def _process_found(self, sub: Sub, path: Path) -> None:
        """Judge a frame that is on disk; one that cannot be read is left as it is."""
        try:
            data = await self._store(read_frame, path)
        except FrameNotRead as error:
            verdict = Verdict(accepted=False, reason=str(error), transparency=None)
            self._record(sub, NOT_MEASURED, verdict, "")
            return
        async with self._turn:
            await self._process(sub, data, FrameFacts(kind="light"), "", fresh=False)

    # Judging ------------------------------------------------------------------------------------

    def _judge(self, sub: Sub, stars: StarField, unmeasured: str, fresh: bool) -> Verdict:
        """The verdict, from what was known, from the stars, and from the guiding."""
        limits = self._settings.policies.frames
        policy = FramePolicy(accept_fraction=limits.minimum_star_fraction)
        key = (sub.target, sub.filter)
        reference = self._references.get(key, FrameReference())
        facts = CloudFacts(
            stars.count,
            stars.background_adu,
            stars.half_flux_radius_px,
            sub.exposure_s,
            _airmass(sub),
        )
        verdict = judge_frame(facts, reference, policy)
        doubt = unmeasured or sub.doubt
        if not doubt and verdict.accepted:
            doubt = self._quality_doubt(sub, stars, fresh)
        if doubt:
            verdict = replace(verdict, accepted=False, reason=doubt)
        if not unmeasured:
            self._references[key] = reference.learn(facts, verdict, policy)
        return verdict

    def _quality_doubt(self, sub: Sub, stars: StarField, fresh: bool) -> str:
        """What speaks against a frame's guiding and star shape; the next is held to this one.

        Whoever watches the focus sees every frame that nothing but its star size speaks against,
        and that was guided no worse than is usual.
        """
        limits = self._settings.policies.frames
        usual = self._usual.setdefault(sub.filter, Usual())
        size_px = at_zenith_px(stars.half_flux_radius_px, _airmass(sub))
        policy = QualityPolicy(
            limits.maximum_guide_rms_arcsec,
            limits.maximum_ellipticity,
            limits.maximum_growth_percent / 100.0,
        )
        shown = (sub.guide_rms_arcsec, stars.ellipticity, size_px, usual.median)
        usual.add(size_px)
        guided = guided_as_usual(sub.guide_rms_arcsec, self._usual_guiding.median)
        self._usual_guiding.add(sub.guide_rms_arcsec)
        if fresh and guided and not quality_doubt(*shown, replace(policy, growth_max=None)):
            self._focusing.watch.sub(
                sub.filter,
                stars.half_flux_radius_px,
                _airmass(sub),
                sub.start_utc or sub.begun_utc,
                sub.exposure_s,
                sub.pointing,
            )
        return quality_doubt(*shown, policy)

    def _path(self, sub: Sub, start: datetime) -> str:
        facts = NameFacts(
            target=sub.target,
            filter=sub.filter,
            kind="light",
            exposure_s=sub.exposure_s,
            utc=start,
            night=self._night,
            number=number_of(sub.uid),
        )
        return str(self._pattern.path(facts))

    def _record(self, sub: Sub, stars: StarField, verdict: Verdict, digest: str) -> None:
        """Enter the frame, which ends its sub, and say so."""
        self._ledger.enter(
            Frame(
                uid=sub.uid,
                night=sub.night,
                target=sub.target,
                filter=sub.filter,
                exposure_s=sub.exposure_s,
                start_utc=sub.start_utc or sub.begun_utc,
                path=sub.path,
                sha256=digest,
                verdict=Entry.ACCEPTED if verdict.accepted else Entry.REJECTED,
                reason="" if verdict.accepted else verdict.reason,
                pointing=sub.pointing,
                half_flux_radius_px=stars.half_flux_radius_px,
                stars=stars.count,
                background_adu=stars.background_adu,
                guide_rms_arcsec=sub.guide_rms_arcsec,
                rotation_deg=sub.rotation_deg,
            )
        )
        what: dict[str, Any] = {
            "uid": sub.uid,
            "target": sub.target,
            "filter": sub.filter,
            "exposure_s": sub.exposure_s,
            "path": sub.path,
            "half_flux_radius_px": stars.half_flux_radius_px,
            "stars": stars.count,
            "background_adu": stars.background_adu,
            "guide_rms_arcsec": sub.guide_rms_arcsec,
            "guide_ra_rms_arcsec": sub.guide_ra_rms_arcsec,
            "guide_dec_rms_arcsec": sub.guide_dec_rms_arcsec,
            "guide_peak_arcsec": sub.guide_peak_arcsec,
            "guide_seeing_arcsec": sub.guide_seeing_arcsec,
        }
        if verdict.accepted:
            self._log.emit(FrameAccepted(**what))
            self._count_cycles(sub)
        else:
            self._log.emit(FrameRejected(reason=verdict.reason, **what))

    def _count_cycles(self, sub: Sub) -> None:
        """Say so when a frame that was kept completed a cycle of its group of filters."""
        groups = [
            group
            for target in self._settings.targets.targets
            if target.name == sub.target
            for group in target.groups
            if sub.filter in group.filters
        ]
        if not groups:  # it was found after a crash, and is asked for no longer
            return
        (group,) = groups
        cycle, tally_s = cycle_of(group.filters), self._ledger.accepted_s(sub.target)
        accepted_s = {name: tally_s.get(name, 0.0) for name in group.filters}
        done = cycles_done(cycle, accepted_s)
        before_s = accepted_s[sub.filter] - sub.exposure_s
        if done > cycles_done(cycle, accepted_s | {sub.filter: before_s}):
            self._log.emit(CycleCompleted(target=sub.target, cycle=done, accepted_s=accepted_s))


def _airmass(sub: Sub) -> float:
    return sub.airmass or 1.0
