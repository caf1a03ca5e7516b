"""What is kept and told of a judged frame: its row in the ledger, its event, its cycle."""

import math
from dataclasses import dataclass, replace

from nightloom.clouds import FramePolicy, StarLight
from nightloom.cycle import Cycle, cycles_done, stays_even_without
from nightloom.frames import StarField
from nightloom.frames.depth import starlight
from nightloom.frames.header import HeaderFacts
from nightloom.frames.judging import JudgedFacts, Judgement, JudgingPolicy
from nightloom.frames.measuring import Measured
from nightloom.frames.quality import QualityPolicy
from nightloom.frames.weighing import weighed
from nightloom.ledger import Frame, Ledger, Sub, Verdict
from nightloom.settings import Settings, cycle_of
from nightloom.telemetry import Log
from nightloom.telemetry.events import (
    CycleCompleted,
    FrameAccepted,
    FrameRejected,
    FrameTakenBack,
    FrameTimesDoubted,
    SubCancelled,
    SubEnded,
)
from nightloom_drivers.frame_kind import FrameKind

SNR_MIN = 10.0
"""Of fainter stars those are found first whose noise makes them brighter."""

BRIGHTEST = 300
"""More stars make the median of their light no better than the air lets it be."""


@dataclass(frozen=True, eq=False)
class JudgedFrame:
    """One light frame as it was judged, a moment after it was taken."""

    sub: Sub
    measured: Measured
    judgement: Judgement


def sub_cancelled(sub: Sub, open_s: float, reason: str) -> SubCancelled:
    """A sub that counts nowhere, for the log."""
    return SubCancelled(
        uid=sub.uid,
        target=sub.target,
        filter=sub.filter,
        exposure_s=sub.exposure_s,
        open_s=open_s,
        reason=reason,
    )


class FrameRecords:
    """The records of one night's frames. Methods raise LedgerError."""

    def __init__(self, settings: Settings, ledger: Ledger, log: Log) -> None:
        self._settings, self._ledger, self._log = settings, ledger, log
        self._doubted = False

    def enter(self, sub: Sub, measured: Measured, judgement: Judgement, sha256: str) -> None:
        """Enter the frame, which ends its sub, and say so."""
        camera = self._settings.observatory.camera
        shown = replace(
            frame_of(sub, measured, judgement, sha256),
            gain=None if camera.gain is None else float(camera.gain),
            binning=camera.binning,
            camera_offset=None if camera.offset is None else float(camera.offset),
            sensor_c=sub.sensor_c,
        )
        frame, others_s = weighed(shown, self._ledger.alike(shown))
        self._ledger.enter(frame, others_s)
        self._log.emit(event_of(sub, measured, judgement, frame.worth_s))
        if judgement.accepted and sub.kind is FrameKind.LIGHT:
            self._count_cycles(sub)

    def ended(self, sub: Sub, download_s: float, doubt: str = "") -> None:
        """Tell that a sub's frame has come down; `doubt` of its header's times is told once."""
        if doubt and not self._doubted:
            self._doubted = True
            camera = self._settings.observatory.camera.device
            self._log.emit(FrameTimesDoubted(device=camera, seen=doubt))
        self._log.emit(
            SubEnded(
                uid=sub.uid,
                target=sub.target,
                filter=sub.filter,
                exposure_s=sub.exposure_s,
                download_s=download_s,
            )
        )

    def cancelled(self, sub: Sub, reason: str) -> None:
        """Tell that the frame of a sub that was exposed to its end did not come."""
        self._log.emit(sub_cancelled(sub, sub.exposure_s, reason))

    def may_take_back(self, sub: Sub) -> bool:
        """Whether the tally stays even without an accepted frame, whatever is in flight."""
        flying = [one.filter for one in self._ledger.in_flight(sub.target)]
        lost_s = self._worth_s(sub) if self._counts_depth(sub) else None
        tally_s = self._tally_s(sub)
        return all(
            stays_even_without(
                cycle, tally_s, [one for one in flying if one in cycle.counts], sub.filter, lost_s
            )
            for cycle in self._cycles(sub)
        )

    def take_back(self, sub: Sub, reason: str) -> Frame:
        """Enter that an accepted frame does not count after all, say so, and return its entry."""
        worth_s = self._worth_s(sub)
        frame = self._ledger.reject(sub.uid, reason)
        self._log.emit(
            FrameTakenBack(
                uid=sub.uid,
                target=sub.target,
                filter=sub.filter,
                exposure_s=sub.exposure_s,
                worth_s=worth_s,
                reason=reason,
            )
        )
        return frame

    def _tally_s(self, sub: Sub) -> dict[str, float]:
        """The tally as its target counts it."""
        told = self._ledger.worth_s if self._counts_depth(sub) else self._ledger.accepted_s
        return told(sub.target)

    def _counts_depth(self, sub: Sub) -> bool:
        return any(
            target.name == sub.target and target.count == "depth"
            for target in self._settings.targets.targets
        )

    def _worth_s(self, sub: Sub) -> float:
        """What its frame counts in the tally of depth."""
        frames = self._ledger.frames(target=sub.target, night=sub.night)
        known = next((one.worth_s for one in frames if one.uid == sub.uid), None)
        return sub.exposure_s if known is None else known

    def _count_cycles(self, sub: Sub) -> None:
        """Say so when a frame that was kept completed a cycle of its group of filters."""
        cycle, tally_s = next(iter(self._cycles(sub)), None), self._tally_s(sub)
        if cycle is None:
            return
        accepted_s = {name: tally_s.get(name, 0.0) for name in cycle.counts}
        done = cycles_done(cycle, accepted_s)
        gained_s = self._worth_s(sub) if self._counts_depth(sub) else sub.exposure_s
        before_s = accepted_s[sub.filter] - gained_s
        if done > cycles_done(cycle, accepted_s | {sub.filter: before_s}):
            self._log.emit(CycleCompleted(target=sub.target, cycle=done, accepted_s=accepted_s))

    def _cycles(self, sub: Sub) -> list[Cycle]:
        """The cycle of each group that has its filter; none when it was found after a crash and is
        not asked for any longer.
        """
        return [
            cycle_of(group.filters)
            for target in self._settings.targets.targets
            for group in target.groups
            if target.name == sub.target and sub.filter in group.filters
        ]


def judging_policy(settings: Settings) -> JudgingPolicy:
    """What frames must show, by the settings."""
    limits = settings.policies.frames
    return JudgingPolicy(
        FramePolicy(
            accept_fraction=limits.minimum_star_fraction,
            dimming_max_mag=settings.policies.clouds.maximum_extinction_mag,
        ),
        QualityPolicy(
            limits.maximum_guide_rms_arcsec,
            limits.maximum_ellipticity,
            limits.maximum_growth_percent / 100.0,
        ),
    )


def facts_of(sub: Sub, measured: Measured, in_focus_px: float) -> JudgedFacts:
    """What a light frame is judged by."""
    stars = measured.stars
    return JudgedFacts(
        target=sub.target,
        filter=sub.filter,
        exposure_s=sub.exposure_s,
        airmass=sub.airmass or 1.0,
        guide_rms_arcsec=sub.guide_rms_arcsec,
        guide_peak_arcsec=sub.guide_peak_arcsec,
        star_count=stars.count,
        background_adu=stars.background_adu,
        half_flux_radius_px=stars.half_flux_radius_px,
        ellipticity=stars.ellipticity,
        unmeasured=measured.unmeasured,
        uid=sub.uid,
        guide_transparency=sub.guide_transparency,
        light=None if measured.unmeasured else star_light(stars, sub.exposure_s, sub.rotation_deg),
        lit_sky=sub.lit_sky,
        in_focus_px=in_focus_px,
    )


def star_light(stars: StarField, exposure_s: float, turn_deg: float | None) -> StarLight:
    """The light of a frame's whole stars, brightest first."""
    seen = stars.stars
    whole = seen[~(seen["saturated"] | seen["cut"] | seen["crowded"]) & (seen["snr"] >= SNR_MIN)]
    whole = whole[:BRIGHTEST]
    return StarLight(whole["x"], whole["y"], whole["flux_adu"] / exposure_s, turn_deg)


def header_facts(facts: HeaderFacts, measured: Measured, judgement: Judgement) -> HeaderFacts:
    """What its header says once it is judged."""
    return replace(
        facts,
        half_flux_radius_px=measured.stars.half_flux_radius_px,
        star_count=measured.star_count,
        verdict="accepted" if judgement.accepted else f"rejected: {judgement.reason}",
    )


def facts_taken_back(frame: Frame) -> HeaderFacts:
    """What the header of a frame says once it was taken back."""
    return HeaderFacts(
        kind=frame.kind,
        half_flux_radius_px=frame.half_flux_radius_px,
        star_count=frame.stars,
        verdict=f"rejected: {frame.reason}",
    )


def frame_of(sub: Sub, measured: Measured, judgement: Judgement, sha256: str) -> Frame:
    """The ledger's row of a frame; `sha256` is that of its file, empty without one."""
    stars = measured.stars
    return Frame(
        uid=sub.uid,
        night=sub.night,
        target=sub.target,
        filter=sub.filter,
        exposure_s=sub.exposure_s,
        start_utc=sub.start_utc or sub.begun_utc,
        path=sub.path,
        sha256=sha256,
        verdict=Verdict.ACCEPTED if judgement.accepted else Verdict.REJECTED,
        reason=judgement.reason,
        pointing=sub.pointing,
        half_flux_radius_px=measured.stars.half_flux_radius_px,
        stars=measured.star_count,
        background_adu=measured.stars.background_adu,
        guide_rms_arcsec=sub.guide_rms_arcsec,
        rotation_deg=sub.rotation_deg,
        kind=sub.kind,
        mosaic=sub.mosaic,
        panel=sub.panel,
        dim=judgement.dim,
        noise_adu=stars.noise_adu if math.isfinite(stars.noise_adu) else None,
        starlight=starlight(
            1.0 if judgement.transparency is None else judgement.transparency,
            sub.airmass or 1.0,
            FramePolicy().extinction_mag,
        ),
    )


def event_of(
    sub: Sub, measured: Measured, judgement: Judgement, worth_s: float | None = None
) -> FrameAccepted | FrameRejected:
    """What the log says of a frame."""
    what: dict[str, object] = {
        "uid": sub.uid,
        "target": sub.target,
        "filter": sub.filter,
        "exposure_s": sub.exposure_s,
        "path": sub.path,
        "half_flux_radius_px": measured.stars.half_flux_radius_px,
        "stars": measured.stars.count,
        "background_adu": measured.stars.background_adu,
        "guide_rms_arcsec": sub.guide_rms_arcsec,
        "guide_ra_rms_arcsec": sub.guide_ra_rms_arcsec,
        "guide_dec_rms_arcsec": sub.guide_dec_rms_arcsec,
        "guide_peak_arcsec": sub.guide_peak_arcsec,
        "guide_seeing_arcsec": sub.guide_seeing_arcsec,
        "transparency": judgement.transparency,
        "transparency_error": judgement.error,
        "guide_transparency": sub.guide_transparency,
        "worth_s": worth_s,
    }
    if judgement.accepted:
        return FrameAccepted.model_validate(what)
    return FrameRejected.model_validate(what | {"reason": judgement.reason})
