"""Tells what the daemon is doing: what the log told, and what the parts of a night know now.

It reads and never waits: nothing is asked of a device.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from nightloom.ledger import Ledger, LedgerError, TargetTally, tally
from nightloom.night.context import Context
from nightloom.night.next_sub import Planned
from nightloom.safety import Guard
from nightloom.settings import Settings, Target, cycle_of
from nightloom.settings.observatory import scale_arcsec_per_px
from nightloom.status import (
    Account,
    Exposing,
    FilterStatus,
    FocusStatus,
    FrameStatus,
    GuidingStatus,
    NextStep,
    PlannedTarget,
    SafetyStatus,
    Status,
    TargetStatus,
)


def told_of_idle(
    settings: Settings, account: Account, ledger: Ledger | None, guard: Guard | None, now: datetime
) -> Status:
    """A daemon between nights, or on its way to the first."""
    awaits = NextStep(what="the next night", at_utc=account.armed_utc)
    return Status.model_validate(
        {
            **_common(settings, account, ledger, now),
            "next": None if account.armed_utc is None else awaits,
            "safety": None if guard is None else _safety(guard),
        }
    )


def told_of_night(context: Context) -> Status:
    """A night that is under way. What is in a ledger that cannot be read is left out."""
    account, now = context.account, context.clock.now()
    exposing = _exposing(context, now)
    open_uid = exposing.uid if exposing is not None else ""
    rig = context.rig
    return Status.model_validate(
        {
            **_common(context.settings, account, context.ledger, now),
            "paused_by": context.desk.paused_by,
            "retiring_for": context.desk.retiring_for,
            "exposing": exposing,
            "downloading": [uid for uid in _in_flight(context.ledger) if uid != open_uid],
            "next": _next(context, exposing),
            "plan": [
                PlannedTarget(
                    target=block.target,
                    begins_utc=_utc(block.start_unix_s),
                    ends_utc=_utc(block.end_unix_s),
                )
                for block in context.schedule.blocks
            ],
            "guiding": _guiding(context),
            "transparency": context.cloud_monitor.transparency if context.guiding.running else None,
            "focus": FocusStatus(
                position_steps=rig.focuser.position_steps if rig.focuser.is_ready else None,
                temperature_c=rig.focuser.temperature_c,
                looked_utc=account.looked_utc,
                found=account.found,
            ),
            "sensor_c": rig.camera.temperature_c,
            "safety": _safety(context.guard),
        }
    )


def _common(
    settings: Settings, account: Account, ledger: Ledger | None, now: datetime
) -> dict[str, object]:
    """What is told at any time of day."""
    zone = settings.observatory.site.time_zone
    here = now.astimezone(ZoneInfo(zone) if zone else None)
    return {
        "utc": now,
        "observatory": settings.observatory.name,
        "time_zone": here.tzname(),
        "utc_offset_min": round((here.utcoffset() or timedelta()) / timedelta(minutes=1)),
        "scale_arcsec_per_px": _scale_arcsec_per_px(settings),
        "phase": account.phase,
        "since_utc": account.since_utc,
        "reason": account.reason,
        "night": account.night,
        "dark_begins_utc": account.dark_begins_utc,
        "dark_ends_utc": account.dark_ends_utc,
        "target": account.target,
        "tally": _tally(settings, ledger),
        "last_frame": _on_the_sky(settings, account.last_frame),
        "problems": list(account.problems),
    }


def _exposing(context: Context, now: datetime) -> Exposing | None:
    left_s, begun = context.shutter.left_s, context.account.begun
    if left_s is None or begun is None:
        return None
    utc, sub = begun
    return Exposing(
        uid=sub.uid,
        target=sub.target,
        filter=sub.filter,
        exposure_s=sub.exposure_s,
        begun_utc=utc,
        open_s=(now - utc).total_seconds(),
        left_s=left_s,
    )


def _next(context: Context, exposing: Exposing | None) -> NextStep | None:
    """What comes next, by the phase."""
    account, now = context.account, context.clock.now()
    dark_ends = account.dark_ends_utc
    match account.phase:
        case "gathering" if exposing is not None:
            ends = now + timedelta(seconds=exposing.left_s)
            return NextStep(what=_after(context, exposing), at_utc=ends)
        case "gathering":
            return NextStep(what="the next sub", at_utc=None)
        case "readying":
            begins = min((block.start_unix_s for block in context.schedule.blocks), default=None)
            if begins is None:
                return NextStep(what="the end of the dark", at_utc=dark_ends)
            return NextStep(what="the first target of the plan", at_utc=_utc(begins))
        case "acquiring" | "crossing":
            return NextStep(what=f"subs of {account.target}", at_utc=None)
        case "holding":
            return NextStep(what="subs, when the stars are back", at_utc=None)
        case "pausing":
            return NextStep(what="to go on when told to, or the end of the dark", at_utc=dark_ends)
        case "sheltering":
            wait_s = context.settings.policies.weather.wait_safe_s
            what = f"opening, when the weather has been safe for {wait_s / 60:g} min"
            return NextStep(what=what, at_utc=None)
        case "calibrating":
            return NextStep(
                what="parked and closed, when calibration frames are taken", at_utc=None
            )
        case "retiring":
            return NextStep(what="parked and closed", at_utc=None)
        case "stranded":
            return NextStep(what="another try to park and close", at_utc=None)
    return None


def _after(context: Context, exposing: Exposing) -> str:
    if context.desk.retiring_for:
        return "parking and closing, as a person asked"
    after = context.target_run.after(exposing.filter, exposing.exposure_s, exposing.left_s)
    if isinstance(after, Planned):
        return f"a sub of {after.exposure_s:g} s in {after.filter}"
    return "the next sub" if after is None else after.reason


def _guiding(context: Context) -> GuidingStatus:
    guided = context.guiding.statistics
    if not context.guiding.running or not guided.count:
        return GuidingStatus(held=context.guiding.running)
    return GuidingStatus(
        held=True,
        rms_arcsec=guided.rms_arcsec,
        ra_rms_arcsec=guided.ra_rms_arcsec,
        dec_rms_arcsec=guided.dec_rms_arcsec,
        peak_arcsec=guided.peak_arcsec,
    )


def _safety(guard: Guard) -> SafetyStatus:
    return SafetyStatus(
        safe=guard.is_safe,
        weather=guard.unsafe_reasons(),
        roof=guard.roof_in_a_word,
        mount=guard.mount_in_a_word,
        pier_side=str(guard.pier.side) if guard.mount_in_a_word != "unknown" else "unknown",
    )


def _in_flight(ledger: Ledger) -> list[str]:
    try:
        return [sub.uid for sub in ledger.in_flight()]
    except LedgerError:
        return []


def _tally(settings: Settings, ledger: Ledger | None) -> list[TargetStatus]:
    if ledger is None:
        return []
    try:
        return [_tally_of(ledger, target) for target in settings.targets.targets]
    except LedgerError:
        return []


def _tally_of(ledger: Ledger, target: Target) -> TargetStatus:
    """What a target got, against what all of its groups ask."""
    wanted_s = {
        name: sub.wanted_hours * 3600 for name, sub in target.subs.items() if sub.wanted_hours
    }
    cycle = cycle_of(target.groups[0].filters)
    return _target(tally(ledger, target.name, cycle, wanted_s, depth=target.count == "depth"))


def _target(one: TargetTally) -> TargetStatus:
    return TargetStatus(
        target=one.target,
        accepted_s=one.accepted_s,
        unevenness=one.unevenness,
        filters=[
            FilterStatus(
                filter=row.filter,
                accepted_s=row.accepted_s,
                wanted_s=row.wanted_s,
                asked_fraction=row.asked_fraction,
                ahead_cycles=row.ahead_cycles,
            )
            for row in one.filters
        ],
    )


def _on_the_sky(settings: Settings, frame: FrameStatus | None) -> FrameStatus | None:
    """A frame with its star size in arcseconds as well, where the pixels' size is known."""
    scale = _scale_arcsec_per_px(settings)
    if frame is None or frame.half_flux_radius_px is None or scale is None:
        return frame
    return frame.model_copy(update={"half_flux_radius_arcsec": scale * frame.half_flux_radius_px})


def _scale_arcsec_per_px(settings: Settings) -> float | None:
    camera, optics = settings.observatory.camera, settings.observatory.optics
    if camera.pixel_um is None:
        return None
    return scale_arcsec_per_px(camera.pixel_um * camera.binning, optics.focal_length_mm)


def _utc(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
