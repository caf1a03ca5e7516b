"""Intake: every light frame is measured, judged, written and recorded, beside the next sub.

Frames queue here in the order in which they were taken. Nothing in the night waits for them, except
its end.
"""

import asyncio
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightloom.arithmetic import Arithmetic
from nightloom.clouds import FrameFacts as CloudFacts
from nightloom.clouds import FramePolicy, FrameReference, Verdict, judge_frame
from nightloom.crew.focusing import Focusing
from nightloom.crew.lookout import Lookout
from nightloom.crew.measuring import measure_frame
from nightloom.cycle import cycles_done
from nightloom.focus import at_zenith_px
from nightloom.frames import (
    RECENT_GUIDED,
    FrameExists,
    FrameFacts,
    FrameNotWritten,
    NameFacts,
    NamePattern,
    QualityPolicy,
    StarField,
    Usual,
    frame_header,
    guided_as_usual,
    quality_doubt,
    write_frame,
)
from nightloom.ledger import Frame, Ledger
from nightloom.ledger import Verdict as Entry
from nightloom.programme.cycles import cycle_of
from nightloom.settings import Settings
from nightloom.telemetry import Log
from nightloom.telemetry.events import CycleCompleted, FrameKept, FrameLost, FrameRejected
from nightloom_drivers.clock import Clock

UNWRITTEN_MAX = 3
"""Frames in a row that the disk refused: by then it will not take the next one either."""


@dataclass(frozen=True, eq=False)
class Taken:
    """A light frame fresh from the camera, with what was known when it was taken.

    `doubt` is a reason to reject it that was known before it was measured; empty without one.
    """

    uid: str
    number: int
    intent: int
    target: str
    filter: str
    pointing: int
    data: NDArray[np.uint16]
    started_at: datetime
    exposure_s: float
    airmass: float
    guide_rms_arcsec: float | None
    rotation_deg: float | None
    facts: FrameFacts
    doubt: str = ""
    knocked: bool = False
    """Whether the telescope was moved off meanwhile: few stars then say nothing of the sky."""


class Intake:
    """Takes light frames in, one after another. Its `watch` raises what went wrong with one."""

    def __init__(
        self,
        settings: Settings,
        night: date,
        folder: Path | None,
        ledger: Ledger,
        compute: Arithmetic,
        store: Arithmetic,
        lookout: Lookout,
        focusing: Focusing,
        clock: Clock,
        log: Log,
    ) -> None:
        self._settings, self._night, self._folder = settings, night, folder
        self._ledger, self._compute, self._store = ledger, compute, store
        self._lookout, self._focusing = lookout, focusing
        self._clock, self._log = clock, log
        self._pattern = NamePattern(settings.policies.frames.name_pattern)
        self._references: dict[tuple[str, str], FrameReference] = {}
        self._usual: dict[str, Usual] = {}
        self._usual_guiding = Usual(RECENT_GUIDED)
        self._queue: asyncio.Queue[Taken] = asyncio.Queue()
        self.pending: list[Taken] = []
        self._task: asyncio.Task[None] | None = None
        self._unwritten = 0

    def take(self, taken: Taken) -> None:
        """Put a frame in line."""
        self.pending.append(taken)
        self._queue.put_nowait(taken)

    def pending_s(self, target: str) -> dict[str, float]:
        """Seconds by filter of frames of a target that are still in line."""
        seconds: dict[str, float] = {}
        for taken in self.pending:
            if taken.target == target:
                seconds[taken.filter] = seconds.get(taken.filter, 0.0) + taken.exposure_s
        return seconds

    def begin(self, group: asyncio.TaskGroup) -> None:
        self.start()

    def start(self) -> None:
        """Begin to work the line off."""
        self._task = asyncio.create_task(self._work_off())

    async def watch(self) -> None:
        """Wait with the work for its end, and raise what ended it."""
        if self._task is not None:
            await asyncio.shield(self._task)

    async def drain(self) -> None:
        """Wait until the line is empty, or the work has ended with an error."""
        if self._task is None:
            return
        empty = asyncio.create_task(self._queue.join())
        await asyncio.wait({empty, self._task}, return_when=asyncio.FIRST_COMPLETED)
        empty.cancel()

    def stop(self) -> None:
        """End the work, wherever it is."""
        if self._task is not None:
            self._task.cancel()

    async def _work_off(self) -> None:
        while True:
            taken = await self._queue.get()
            try:
                await self._process(taken)
            finally:
                self.pending.remove(taken)
                self._queue.task_done()

    async def _process(self, taken: Taken) -> None:
        saturation_adu = self._settings.observatory.camera.saturation_adu
        stars = await self._compute(measure_frame, taken.data, saturation_adu)
        verdict = self._judge(taken, stars)
        path = self._path(taken)
        digest = ""
        if self._folder is not None:
            try:
                digest = await self._write(taken, stars, verdict, self._folder / path)
            except (FrameExists, FrameNotWritten) as error:
                verdict = self._lost(taken, verdict, error)
        self._record(taken, stars, verdict, path if digest else "", digest)
        if verdict.transparency is not None and not taken.knocked:
            self._lookout.frame(verdict.transparency)

    async def _write(self, taken: Taken, stars: StarField, verdict: Verdict, path: Path) -> str:
        facts = replace(
            taken.facts,
            half_flux_radius_px=stars.half_flux_radius_px,
            star_count=stars.count,
            verdict="accepted" if verdict.accepted else f"rejected: {verdict.reason}",
        )
        digest = await self._store(write_frame, path, taken.data, frame_header(facts))
        self._unwritten = 0
        return digest

    def _lost(
        self, taken: Taken, verdict: Verdict, error: FrameExists | FrameNotWritten
    ) -> Verdict:
        """A frame that is not on disk does not count; too many in a row end the night."""
        self._log.emit(FrameLost(uid=taken.uid, reason=str(error)))
        self._unwritten += 1
        if self._unwritten >= UNWRITTEN_MAX:
            raise error
        return replace(verdict, accepted=False, reason=str(error))

    def _judge(self, taken: Taken, stars: StarField) -> Verdict:
        """The verdict, from what was known, from the stars, and from the guiding."""
        limits = self._settings.policies.frames
        policy = FramePolicy(accept_fraction=limits.least_star_fraction)
        key = (taken.target, taken.filter)
        reference = self._references.get(key, FrameReference())
        facts = CloudFacts(
            stars.count,
            stars.background_adu,
            stars.half_flux_radius_px,
            taken.exposure_s,
            taken.airmass,
        )
        verdict = judge_frame(facts, reference, policy)
        doubt = taken.doubt
        if not doubt and verdict.accepted:
            doubt = self._quality_doubt(taken, stars)
        if doubt:
            verdict = replace(verdict, accepted=False, reason=doubt)
        self._references[key] = reference.learn(facts, verdict, policy)
        return verdict

    def _quality_doubt(self, taken: Taken, stars: StarField) -> str:
        """What speaks against a frame's guiding and star shape; the next is held to this one.

        Whoever watches the focus sees every frame that nothing but its star size speaks against,
        and that was guided no worse than is usual.
        """
        limits = self._settings.policies.frames
        usual = self._usual.setdefault(taken.filter, Usual())
        size_px = at_zenith_px(stars.half_flux_radius_px, taken.airmass)
        policy = QualityPolicy(
            limits.largest_guide_rms_arcsec,
            limits.largest_ellipticity,
            limits.largest_growth_percent / 100.0,
        )
        shown = (taken.guide_rms_arcsec, stars.ellipticity, size_px, usual.median)
        usual.add(size_px)
        guided = guided_as_usual(taken.guide_rms_arcsec, self._usual_guiding.median)
        self._usual_guiding.add(taken.guide_rms_arcsec)
        if guided and not quality_doubt(*shown, replace(policy, growth_max=None)):
            self._focusing.watch.sub(
                taken.filter,
                stars.half_flux_radius_px,
                taken.airmass,
                taken.started_at,
                taken.exposure_s,
                taken.pointing,
            )
        return quality_doubt(*shown, policy)

    def _path(self, taken: Taken) -> str:
        facts = NameFacts(
            target=taken.target,
            filter=taken.filter,
            kind="light",
            exposure_s=taken.exposure_s,
            utc=taken.started_at,
            night=self._night,
            number=taken.number,
        )
        return str(self._pattern.path(facts))

    def _record(
        self, taken: Taken, stars: StarField, verdict: Verdict, path: str, digest: str
    ) -> None:
        self._ledger.add_frame(
            Frame(
                uid=taken.uid,
                night=str(self._night),
                target=taken.target,
                filter=taken.filter,
                exposure_s=taken.exposure_s,
                start_utc=taken.started_at,
                path=path,
                sha256=digest,
                verdict=Entry.ACCEPTED if verdict.accepted else Entry.REJECTED,
                reason="" if verdict.accepted else verdict.reason,
                pointing=taken.pointing,
                half_flux_radius_px=stars.half_flux_radius_px,
                stars=stars.count,
                background_adu=stars.background_adu,
                guide_rms_arcsec=taken.guide_rms_arcsec,
                rotation_deg=taken.rotation_deg,
            )
        )
        self._ledger.finish(taken.intent, "frame recorded", self._clock.now())
        what: dict[str, Any] = {
            "uid": taken.uid,
            "target": taken.target,
            "filter": taken.filter,
            "exposure_s": taken.exposure_s,
            "path": path,
            "half_flux_radius_px": stars.half_flux_radius_px,
            "stars": stars.count,
            "background_adu": stars.background_adu,
            "guide_rms_arcsec": taken.guide_rms_arcsec,
            "guide_ra_rms_arcsec": taken.facts.guide_ra_rms_arcsec,
            "guide_dec_rms_arcsec": taken.facts.guide_dec_rms_arcsec,
            "guide_peak_arcsec": taken.facts.guide_peak_arcsec,
            "guide_air_arcsec": taken.facts.guide_air_arcsec,
        }
        if verdict.accepted:
            self._log.emit(FrameKept(**what))
            self._count_cycles(taken)
        else:
            self._log.emit(FrameRejected(reason=verdict.reason, **what))

    def _count_cycles(self, taken: Taken) -> None:
        """Say so when a frame that was kept completed a cycle of its group of filters."""
        groups = self._settings.targets.named(taken.target).groups
        group = next(group for group in groups if taken.filter in group.filters)
        cycle, tally_s = cycle_of(group.filters), self._ledger.accepted_s(taken.target)
        accepted_s = {name: tally_s.get(name, 0.0) for name in group.filters}
        done = cycles_done(cycle, accepted_s)
        before_s = accepted_s[taken.filter] - taken.exposure_s
        if done > cycles_done(cycle, accepted_s | {taken.filter: before_s}):
            self._log.emit(CycleCompleted(target=taken.target, cycle=done, accepted_s=accepted_s))
