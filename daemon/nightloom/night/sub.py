"""One sub: the intent before the shutter opens, the frame handed to the intake after it closed."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace

from nightloom.crew.intake import Taken
from nightloom.frames import FrameFacts
from nightloom.guiding import GuideStatistics
from nightloom.night.context import Context
from nightloom.night.course import Planned, uid_of
from nightloom.settings import Target
from nightloom.telemetry.events import SubBegun, SubCancelled, SubEnded
from nightloom_drivers.devices import Exposure

SOFTWARE = "nightloom"

KNOCK_ARCSEC = 15.0
"""No air moves a guide star so far: something pushed the telescope, and trailed the stars."""


@dataclass(eq=False)
class Sub:
    """A sub whose shutter has opened. Once its frame is `taken_in`, nothing can cancel it."""

    uid: str
    number: int
    intent: int
    target: Target
    planned: Planned
    pointing: int
    began_s: float
    exposure: Exposure
    taken_in: bool = False


@asynccontextmanager
async def open_shutter(context: Context, planned: Planned) -> AsyncIterator[Sub]:
    """Begin a sub; one that does not come to its end is cancelled and counts nowhere."""
    course, target = context.course, context.course.running
    number = course.next_number()
    uid = uid_of(str(context.programme.night), number)
    now = context.clock.now()
    detail = {"uid": uid, "target": target.name, "filter": planned.filter}
    intent = context.ledger.begin("sub", {**detail, "exposure_s": planned.exposure_s}, now)
    began_s = context.clock.unix_s()
    sub = None
    try:
        exposure = await context.rig.camera.begin(planned.exposure_s)
        context.guiding.restart_statistics()
        context.log.emit(
            SubBegun(
                **detail,
                exposure_s=planned.exposure_s,
                cycle=course.cycle,
                reason=planned.reason,
            )
        )
        sub = Sub(uid, number, intent, target, planned, course.pointing, began_s, exposure)
        yield sub
    except BaseException as cut:
        if sub is not None and sub.taken_in:  # what was cut is the preparing of the next one
            raise
        open_s = min(context.clock.unix_s() - began_s, planned.exposure_s)
        reason = str(cut) or "something stronger came"
        course.frame_arrived()
        context.ledger.finish(intent, "cancelled", context.clock.now())
        context.log.emit(SubCancelled(uid=uid, open_s=open_s, reason=reason))
        raise


@dataclass(frozen=True, eq=False)
class Closed:
    """What held at the moment a sub's shutter closed, before anything moved on."""

    facts: FrameFacts
    guide_rms_arcsec: float | None
    rotation_deg: float | None
    doubt: str
    knocked: bool


def at_closing(context: Context, sub: Sub) -> Closed:
    """Note what the frame needs to say of this moment."""
    guided = context.guiding.statistics
    clouded = context.lookout.last_dim_s > sub.began_s
    knocked = guided.peak_arcsec > KNOCK_ARCSEC
    solution = context.pointing.solution
    return Closed(
        _facts(context, sub, guided),
        guided.rms_arcsec if guided.count else None,
        None if solution is None else solution.rotation_deg,
        _doubt(clouded, knocked, guided.peak_arcsec),
        knocked,
    )


def _doubt(clouded: bool, knocked: bool, peak_arcsec: float) -> str:
    if knocked:
        return f"the telescope was {peak_arcsec:.0f}″ off for a while"
    return "cloud passed over it" if clouded else ""


async def fetch(context: Context, sub: Sub, closed: Closed) -> None:
    """Wait for the frame and hand it to the intake. Raises DeviceError."""
    closed_s = context.clock.unix_s()
    frame = await sub.exposure.frame()
    context.log.emit(SubEnded(uid=sub.uid, download_s=context.clock.unix_s() - closed_s))
    context.intake.take(
        Taken(
            uid=sub.uid,
            number=sub.number,
            intent=sub.intent,
            target=sub.target.name,
            filter=sub.planned.filter,
            pointing=sub.pointing,
            data=frame.data,
            started_at=frame.start,
            exposure_s=sub.planned.exposure_s,
            airmass=closed.facts.airmass or 1.0,
            guide_rms_arcsec=closed.guide_rms_arcsec,
            rotation_deg=closed.rotation_deg,
            facts=replace(closed.facts, started_at=frame.start),
            doubt=closed.doubt,
            knocked=closed.knocked,
        )
    )
    sub.taken_in = True
    context.course.frame_arrived()


def _facts(context: Context, sub: Sub, guided: GuideStatistics) -> FrameFacts:
    """What the header says, from the daemon's own knowledge rather than the driver's."""
    rig, observatory = context.rig, context.settings.observatory
    middle_s = sub.began_s + sub.planned.exposure_s / 2
    return FrameFacts(
        kind="light",
        exposure_s=sub.planned.exposure_s,
        target=sub.target.name,
        filter_name=sub.planned.filter,
        ra_deg=sub.target.ra_deg,
        dec_deg=sub.target.dec_deg,
        wcs=context.pointing.wcs(),
        camera=observatory.camera.device,
        telescope=observatory.name,
        gain=observatory.camera.gain,
        offset=observatory.camera.offset,
        sensor_temperature_c=rig.camera.temperature_c,
        sensor_set_point_c=observatory.camera.target_temperature_c,
        binning=observatory.camera.binning,
        pixel_size_um=rig.camera.info.pixel_um * observatory.camera.binning,
        focal_length_mm=observatory.optics.focal_length_mm,
        aperture_mm=observatory.optics.aperture_mm,
        site_latitude_deg=observatory.site.latitude_deg,
        site_longitude_deg=observatory.site.longitude_deg,
        site_elevation_m=observatory.site.elevation_m,
        altitude_deg=context.programme.altitude_deg(sub.target, middle_s),
        airmass=context.programme.airmass(sub.target, middle_s),
        pier_side=str(context.guard.pier.side),
        focuser_position_steps=rig.focuser.position_steps,
        focuser_temperature_c=rig.focuser.temperature_c,
        guide_rms_arcsec=guided.rms_arcsec if guided.count else None,
        guide_ra_rms_arcsec=guided.ra_rms_arcsec if guided.count else None,
        guide_dec_rms_arcsec=guided.dec_rms_arcsec if guided.count else None,
        guide_peak_arcsec=guided.peak_arcsec if guided.count else None,
        guide_air_arcsec=guided.air_arcsec if guided.count else None,
        software=SOFTWARE,
    )
