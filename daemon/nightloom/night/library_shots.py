"""One calibration frame from the camera into the library, and what is lacking that can be taken."""

from dataclasses import replace

from nightloom.calibration_frames.level import level_of
from nightloom.calibration_frames.library import needs_of, rules_of
from nightloom.calibration_frames.needs import Kept, Look, Need, fits
from nightloom.frames import HeaderFacts
from nightloom.night.context import Context
from nightloom.night.sub import facts_of_rig
from nightloom.telemetry.events import CalibrationFrameKept
from nightloom_drivers.devices import CameraFrame
from nightloom_drivers.errors import DeviceContradicts
from nightloom_drivers.frame_kind import FrameKind
from nightloom_drivers.star_list import StarList


async def shot(context: Context, exposure_s: float, kind: FrameKind) -> tuple[CameraFrame, float]:
    """A frame and its level in ADU. Raises DeviceError, and for frames without pixels."""
    camera = context.rig.camera
    frame = await camera.expose(exposure_s, kind)
    if isinstance(frame.data, StarList):
        seen = "a list of stars, which has no level"
        raise DeviceContradicts(camera.device, camera.chip.blob, asked=f"a {kind}", seen=seen)
    return frame, level_of(frame.data)


async def keep(
    context: Context,
    need: Need,
    frame: CameraFrame,
    level_adu: float,
    panel: float | None = None,
) -> None:
    """Put a frame that a need asks for into the library.

    Raises FrameNotWritten, FrameExists and LedgerError.
    """
    assert not isinstance(frame.data, StarList)
    exposure_s = frame.exposure_s if need.exposure_s is None else need.exposure_s
    facts = _facts(context, need, frame, exposure_s)
    rotation_deg = present_rotation_deg(context) if need.kind is FrameKind.FLAT else None
    kept = await context.library.keep(frame.data, facts, level_adu, panel, rotation_deg)
    context.log.emit(
        CalibrationFrameKept(
            uid=kept.uid,
            kind=kept.kind.value,
            filter=kept.filter,
            exposure_s=kept.exposure_s,
            level_adu=kept.level_adu,
            sensor_c=kept.sensor_c,
        )
    )


def lacking(context: Context, kinds: frozenset[FrameKind]) -> list[Need]:
    """What the lights lack of some kinds and the camera as it is can give. Raises LedgerError."""
    rules = rules_of(context.settings.policies.calibration)
    return [
        need
        for need in needs_of(context.ledger, context.settings, context.clock.now())
        if need.kind in kinds and need.missing and fits(need, _present(context, need), rules)
    ]


def present_rotation_deg(context: Context) -> float | None:
    """How the camera is turned: as the latest light that was solved."""
    return context.library.latest_rotation_deg()


def _present(context: Context, need: Need) -> Kept:
    """What a frame for a need would be now."""
    said = context.settings.observatory.camera
    look = Look(
        need.exposure_s or 0.0,
        need.filter,
        said.gain,
        said.offset,
        said.binning,
        context.rig.camera.temperature_c,
        present_rotation_deg(context),
        context.clock.unix_s(),
    )
    return Kept(need.kind, look)


def _facts(context: Context, need: Need, frame: CameraFrame, exposure_s: float) -> HeaderFacts:
    return replace(
        facts_of_rig(context, need.kind),
        started_at=frame.start,
        exposure_s=exposure_s,
        filter_name=need.filter or None,
    )
