"""One sub: written down before the shutter opens, handed to the pipeline when it has closed."""

from dataclasses import replace

from nightloom.frames import HeaderFacts
from nightloom.frames.download import Download
from nightloom.frames.records import sub_cancelled
from nightloom.guiding import GuideStatistics
from nightloom.ledger import Stage, Sub
from nightloom.night.context import Context
from nightloom.night.interrupts import reason_of
from nightloom.night.next_sub import Planned
from nightloom.settings import Target
from nightloom.telemetry.events import SubBegun
from nightloom_drivers.clock import steady_s
from nightloom_drivers.frame_kind import FrameKind

SOFTWARE = "nightloom"


async def expose(context: Context, planned: Planned) -> Download:
    """Take a sub of the running target, and return when its shutter has closed.

    One that is cut short before is cancelled and counts nowhere; after, nothing can cancel it.
    Raises DeviceError.
    """
    target_run, target = context.target_run, context.target_run.running
    began_s, from_s = context.clock.unix_s(), steady_s()
    sub = _begun(context, target, planned)
    context.ledger.begin_sub(sub)
    try:
        exposure = await context.rig.camera.begin(planned.exposure_s, sub.kind)
        context.shutter.opened(planned.exposure_s)
        context.guiding.restart_statistics()
        context.cloud_monitor.sub_begins(planned.exposure_s)
        context.focusing.sub_begins(sub.uid, sub.filter, sub.exposure_s)
        context.log.emit(
            SubBegun(
                uid=sub.uid,
                target=sub.target,
                filter=sub.filter,
                exposure_s=sub.exposure_s,
                cycle=planned.cycle,
                reason=planned.reason,
            )
        )
        await exposure.shutter_closed()
    except BaseException as cut:
        open_s = min(steady_s() - from_s, planned.exposure_s)
        _cancelled(context, sub, open_s, cut)
        context.cloud_monitor.sub_ends()
        raise
    finally:
        context.shutter.closed()
    target_run.shutter_closed(planned)
    facts = _guided(_facts(context, target, sub, began_s), context.guiding.statistics)
    return context.pipeline.take(_closed(context, sub, facts, began_s), facts, exposure)


def _begun(context: Context, target: Target, planned: Planned) -> Sub:
    """The sub as it begins, with a name of its own."""
    return Sub(
        uid=context.target_run.next_uid(),
        night=str(context.schedule.night),
        target=target.name,
        filter=planned.filter,
        exposure_s=planned.exposure_s,
        pointing=context.target_run.pointings.number,
        begun_utc=context.clock.now(),
        mosaic=target.whole if target.number else "",
        panel=target.number,
    )


def _cancelled(context: Context, sub: Sub, open_s: float, cut: BaseException) -> None:
    """Write down that a sub counts nowhere, and for what: its own trouble, or what cut in."""
    reason = reason_of(cut) or context.shutter.cut_by
    context.ledger.follow_sub(replace(sub, stage=Stage.CANCELLED, outcome=reason))
    context.log.emit(sub_cancelled(sub, open_s, reason))


def _closed(context: Context, sub: Sub, facts: HeaderFacts, began_s: float) -> Sub:
    """The sub with what held when its shutter closed, before anything moved on."""
    solution = context.pointing.solution
    return replace(
        sub,
        stage=Stage.CLOSED,
        airmass=facts.airmass,
        guide_rms_arcsec=facts.guide_rms_arcsec,
        guide_ra_rms_arcsec=facts.guide_ra_rms_arcsec,
        guide_dec_rms_arcsec=facts.guide_dec_rms_arcsec,
        guide_peak_arcsec=facts.guide_peak_arcsec,
        guide_seeing_arcsec=facts.guide_seeing_arcsec,
        rotation_deg=None if solution is None else solution.rotation_deg,
        sensor_c=facts.sensor_temperature_c,
        guide_transparency=context.cloud_monitor.sub_ends(sub.uid),
        lit_sky=context.schedule.lit_ratio(
            context.target_run.running, began_s + sub.exposure_s / 2
        ),
    )


def _facts(context: Context, target: Target, sub: Sub, began_s: float) -> HeaderFacts:
    """What the header says, from the daemon's own knowledge rather than the driver's."""
    camera = context.settings.observatory.camera
    middle_s = began_s + sub.exposure_s / 2
    ra_deg, dec_deg = context.pointing.middle() or (target.ra_deg, target.dec_deg)
    return replace(
        facts_of_rig(context, sub.kind),
        exposure_s=sub.exposure_s,
        target=sub.target,
        mosaic=sub.mosaic or None,
        panel=sub.panel or None,
        filter_name=sub.filter,
        target_ra_deg=target.ra_deg,
        target_dec_deg=target.dec_deg,
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        # without guide stars nothing holds the sky where it was solved
        wcs=None if context.unguided else context.pointing.wcs(),
        sensor_set_point_c=camera.target_temperature_c if camera.cooled else None,
        altitude_deg=context.schedule.altitude_deg(target, middle_s),
        airmass=context.schedule.airmass(target, middle_s),
        pier_side=str(context.guard.pier.side),
        focuser_temperature_c=context.rig.focuser.temperature_c,
    )


def facts_of_rig(context: Context, kind: FrameKind) -> HeaderFacts:
    """What the header of any frame says of the rig and its place."""
    rig, observatory = context.rig, context.settings.observatory
    return HeaderFacts(
        kind=kind,
        camera=observatory.camera.device,
        observatory=observatory.name,
        telescope=observatory.optics.described,
        gain=observatory.camera.gain,
        offset=observatory.camera.offset,
        sensor_temperature_c=rig.camera.temperature_c,
        binning=observatory.camera.binning,
        pixel_size_um=rig.camera.pixel_um,
        focal_length_mm=observatory.optics.focal_length_mm,
        aperture_mm=observatory.optics.aperture_mm,
        site_latitude_deg=observatory.site.latitude_deg,
        site_longitude_deg=observatory.site.longitude_deg,
        site_elevation_m=observatory.site.elevation_m,
        focuser_position_steps=context.focusing.seen_steps,
        software=SOFTWARE,
    )


def _guided(facts: HeaderFacts, guided: GuideStatistics) -> HeaderFacts:
    """The same with how guiding was, where there was any."""
    if not guided.count:
        return facts
    return replace(
        facts,
        guide_rms_arcsec=guided.rms_arcsec,
        guide_ra_rms_arcsec=guided.ra_rms_arcsec,
        guide_dec_rms_arcsec=guided.dec_rms_arcsec,
        guide_peak_arcsec=guided.peak_arcsec,
        guide_seeing_arcsec=guided.seeing_arcsec,
    )
