"""What is kept and told of a judged frame: its row in the ledger, its event, its cycle."""

from dataclasses import dataclass, replace

from nightloom.cycle import cycles_done
from nightloom.frames.header import HeaderFacts
from nightloom.frames.judging import JudgedFacts, Judgement
from nightloom.frames.measuring import Measured
from nightloom.ledger import Frame, Ledger, Sub, Verdict
from nightloom.settings import Settings, cycle_of
from nightloom.telemetry import Log
from nightloom.telemetry.events import CycleCompleted, FrameAccepted, FrameRejected
from nightloom_drivers.frame_kind import FrameKind


@dataclass(frozen=True, eq=False)
class JudgedFrame:
    """One light frame as it was judged, a moment after it was taken."""

    sub: Sub
    measured: Measured
    judgement: Judgement


class FrameRecords:
    """The records of one night's frames. Methods raise LedgerError."""

    def __init__(self, settings: Settings, ledger: Ledger, log: Log) -> None:
        self._settings, self._ledger, self._log = settings, ledger, log

    def enter(self, sub: Sub, measured: Measured, judgement: Judgement, sha256: str) -> None:
        """Enter the frame, which ends its sub, and say so."""
        self._ledger.enter(frame_of(sub, measured, judgement, sha256))
        self._log.emit(event_of(sub, measured, judgement))
        if judgement.accepted and sub.kind is FrameKind.LIGHT:
            self._count_cycles(sub)

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


def facts_of(sub: Sub, measured: Measured) -> JudgedFacts:
    """What a light frame is judged by."""
    stars = measured.stars
    return JudgedFacts(
        target=sub.target,
        filter=sub.filter,
        exposure_s=sub.exposure_s,
        airmass=sub.airmass or 1.0,
        clouded=sub.clouded,
        guide_rms_arcsec=sub.guide_rms_arcsec,
        guide_peak_arcsec=sub.guide_peak_arcsec,
        star_count=stars.count,
        background_adu=stars.background_adu,
        half_flux_radius_px=stars.half_flux_radius_px,
        ellipticity=stars.ellipticity,
        unmeasured=measured.unmeasured,
    )


def header_facts(facts: HeaderFacts, measured: Measured, judgement: Judgement) -> HeaderFacts:
    """What its header says once it is judged."""
    return replace(
        facts,
        half_flux_radius_px=measured.stars.half_flux_radius_px,
        star_count=measured.star_count,
        verdict="accepted" if judgement.accepted else f"rejected: {judgement.reason}",
    )


def frame_of(sub: Sub, measured: Measured, judgement: Judgement, sha256: str) -> Frame:
    """The ledger's row of a frame; `sha256` is that of its file, empty without one."""
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
    )


def event_of(sub: Sub, measured: Measured, judgement: Judgement) -> FrameAccepted | FrameRejected:
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
    }
    if judgement.accepted:
        return FrameAccepted.model_validate(what)
    return FrameRejected.model_validate(what | {"reason": judgement.reason})
