"""Darks and biases, as long as the camera is dark; its frames say whether it is."""

from nightloom.calibration_frames.leak import PROBE_S, leak
from nightloom.calibration_frames.needs import Need
from nightloom.night.context import Context
from nightloom.night.gap import change_filter
from nightloom.night.library_shots import keep, lacking, shot
from nightloom_drivers.devices import CameraFrame
from nightloom_drivers.frame_kind import FrameKind

DARK_KINDS = frozenset({FrameKind.BIAS, FrameKind.DARK})


class NotDark(Exception):
    """Light falls on the sensor; the text says what was seen."""


async def take_darks(context: Context, kinds: frozenset[FrameKind] = DARK_KINDS) -> None:
    """Take what the lights lack of them, biases first.

    Raises NotDark once a dark shows light, and then keeps none of it; DeviceError, and what
    `library_shots.keep` raises.
    """
    wanted = lacking(context, kinds & DARK_KINDS)
    if not wanted:
        return
    bias_adu = await _probe(context)
    for need in wanted:
        for _ in range(need.missing):
            if not await _take(context, need, bias_adu):
                break


async def _probe(context: Context) -> float:
    """See whether it is dark, through the filter that lets most light in; the level of a bias."""
    filters = context.settings.observatory.filters
    broadest = max(filters, key=lambda name: filters[name].bandwidth_nm or 0.0)
    await change_filter(context, broadest)
    _, bias_adu = await shot(context, 0.0, FrameKind.BIAS)
    await _dark(context, PROBE_S, bias_adu)
    return bias_adu


async def _take(context: Context, need: Need, bias_adu: float) -> bool:
    """One frame for a need; False when the sensor has left its temperature."""
    tolerance_c = context.settings.policies.calibration.temperature_tolerance_c
    present_c = context.rig.camera.temperature_c
    if need.sensor_c is not None and present_c is not None:
        away_c = abs(present_c - need.sensor_c)
        if away_c > tolerance_c / 2:
            return False
    if need.kind is FrameKind.BIAS:
        await keep(context, need, *await shot(context, 0.0, FrameKind.BIAS))
    else:
        assert need.exposure_s is not None
        await keep(context, need, *await _dark(context, need.exposure_s, bias_adu))
    return True


async def _dark(context: Context, exposure_s: float, bias_adu: float) -> tuple[CameraFrame, float]:
    frame, level_adu = await shot(context, exposure_s, FrameKind.DARK)
    most_adu = context.settings.policies.calibration.leak_adu
    reason = leak(level_adu, bias_adu, exposure_s, most_adu)
    if reason:
        raise NotDark(reason)
    return frame, level_adu
