"""A simulated rig like the observatory: what the configuration states, and what is assumed."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from nightloom.seen_sensors import Seen, SeenSensor
from nightloom.settings import Observatory
from nightloom.settings.observatory import Camera as CameraSection
from nightloom.settings.observatory import GuideCamera as GuideCameraSection
from nightloom.telemetry.events import LikenessAssumed
from nightloom_drivers.rig_settings import (
    FilterSettings,
    FocuserSettings,
    FocusSettings,
    GuideCameraSettings,
    MountSettings,
    OpticsSettings,
    RigSettings,
    SensorSettings,
    SiteSettings,
    WheelSettings,
)

GUIDE_APERTURE_MM = 60.0
"""Of a guide telescope; one as long as the main telescope is the main telescope."""

SEEN = "as check --devices saw it last"

NEVER_H = 12.0
"""Hour angle from which on a mount that needs no flip would make one."""


@dataclass(frozen=True)
class Likeness:
    """The simulated rig, and for each group of it what the configuration does not say."""

    rig: RigSettings
    assumed: tuple[LikenessAssumed, ...]


def likeness(observatory: Observatory, seen: Seen | None = None) -> Likeness:
    """A simulated rig with every number that the observatory states of itself, and the sensors that
    were `seen` where it leaves their size out.
    """
    o, seen = observatory, seen or {}
    rig = RigSettings().model_copy(
        update={
            "site": _site(o),
            "optics": _optics(o),
            "sensor": _sensor(RigSettings().sensor, o.camera, seen.get("camera")),
            "guide": _guide(o, seen.get("guide_camera")),
            "wheel": _wheel(o),
            "focuser": _focuser(o),
            "focus": _focus(o),
            "mount": _mount(o),
        }
    )
    told = {
        "optics": _of_optics(rig),
        "camera": _of_camera(o, rig, seen.get("camera")),
        "guide camera": _of_guide_camera(o, rig, seen.get("guide_camera")),
        "wheel": _of_wheel(o, rig),
        "focuser": _of_focuser(o, rig),
        "mount": _of_mount(rig),
    }
    return Likeness(rig, tuple(LikenessAssumed(group=g, assumed=list(t)) for g, t in told.items()))


# What is taken over -------------------------------------------------------------------------------


def _site(o: Observatory) -> SiteSettings:
    return SiteSettings(
        latitude_deg=o.site.latitude_deg,
        longitude_deg=o.site.longitude_deg,
        elevation_m=o.site.elevation_m,
    )


def _optics(o: Observatory) -> OpticsSettings:
    return OpticsSettings(
        focal_length_mm=o.optics.focal_length_mm,
        aperture_mm=o.optics.aperture_mm,
        central_obstruction=o.optics.central_obstruction,
        mirrored=o.camera.mirrored,
    )


def _sensor(
    usual: SensorSettings, said: CameraSection | GuideCameraSection, seen: SeenSensor | None
) -> SensorSettings:
    """The usual sensor with the size and pixels that a camera states, or else was seen to have."""
    known = {
        name: value
        for source in (seen, said)
        for name in ("width_px", "height_px", "pixel_um")
        if (value := getattr(source, name, None)) is not None
    }
    return usual.model_copy(update=known)


def _guide(o: Observatory, seen: SeenSensor | None) -> GuideCameraSettings:
    usual, said = GuideCameraSettings(), o.guide_camera
    off_axis = said.focal_length_mm == o.optics.focal_length_mm
    optics = usual.optics.model_copy(
        update={
            "focal_length_mm": said.focal_length_mm,
            "aperture_mm": o.optics.aperture_mm if off_axis else GUIDE_APERTURE_MM,
            "mirrored": said.mirrored,
        }
    )
    converter = {
        "bits": min(max(math.ceil(math.log2(said.saturation_adu)), 8), 16),
        "gain_e_per_adu": said.gain_e_per_adu,
        "full_well_e": said.saturation_adu * said.gain_e_per_adu,
    }
    sensor = _sensor(usual.sensor, said, seen).model_copy(update=converter)
    return usual.model_copy(update={"optics": optics, "sensor": sensor})


def _wheel(o: Observatory) -> WheelSettings:
    filters = tuple(
        FilterSettings(
            name=name,
            wavelength_nm=o.filters[name].wavelength_nm,
            band_nm=o.filters[name].bandwidth_nm or 100.0,
            focus_offset_steps=o.filters[name].offset_steps,
        )
        for name in o.wheel.slots
    )
    return WheelSettings(filters=filters)


def _start_steps(o: Observatory) -> int:
    middle_steps = (o.focuser.minimum_steps + o.focuser.maximum_steps) // 2
    return middle_steps if o.focuser.start_steps is None else o.focuser.start_steps


def _focuser(o: Observatory) -> FocuserSettings:
    return FocuserSettings(
        range_steps=o.focuser.maximum_steps,
        start_steps=_start_steps(o),
        step_um=o.focuser.step_um,
        backlash_steps=o.focuser.backlash_steps,
    )


def _focus(o: Observatory) -> FocusSettings:
    stated = {"base_steps": float(_start_steps(o))}
    if "slope_steps_per_c" in o.focuser.model_fields_set:
        stated["slope_steps_per_c"] = o.focuser.slope_steps_per_c
    return FocusSettings().model_copy(update=stated)


def _mount(o: Observatory) -> MountSettings:
    """It turns as far as the configuration lets it, and flips where that says so."""
    usual, said = MountSettings(), o.mount
    flips = said.flip_after_h if "flip_after_h" in said.model_fields_set else usual.flip_after_h
    west_h = said.hour_angle_pier_west_h if said.needs_flip else said.hour_angle_pier_east_h
    return usual.model_copy(
        update={
            "flip_after_h": flips if said.needs_flip else NEVER_H,
            "limit_past_meridian_h": min(5.0, max(usual.limit_past_meridian_h, west_h[1])),
        }
    )


# What is assumed ----------------------------------------------------------------------------------


def _of_optics(rig: RigSettings) -> Iterator[str]:
    yield f"{rig.optics.throughput:.0%} of the light passes"
    yield f"{rig.optics.vignetting:.0%} of it is lost in the corners"


def _unsaid(
    said: CameraSection | GuideCameraSection, sensor: SensorSettings, seen: SeenSensor | None
) -> Iterator[str]:
    """What a camera's section leaves out of its sensor, though it might say it, and whence it is
    known.
    """
    if said.width_px is None:
        size = f"{sensor.width_px} × {sensor.height_px} px"
        why = SEEN if seen else "width_px and height_px are not set, and check --devices saw none"
        yield f"a sensor of {size} ({why})"
    if said.pixel_um is None:
        why = SEEN if seen and seen.pixel_um else "pixel_um is not set"
        yield f"pixels of {sensor.pixel_um:g} µm ({why})"


def _of_camera(o: Observatory, rig: RigSettings, seen: SeenSensor | None) -> Iterator[str]:
    yield from _unsaid(o.camera, rig.sensor, seen)
    yield f"{rig.sensor.gain_e_per_adu:g} electrons per ADU"
    yield f"read noise of {rig.sensor.read_noise_e:g} electrons"
    yield f"a download of {rig.sensor.download_s:g} s"


def _of_guide_camera(o: Observatory, rig: RigSettings, seen: SeenSensor | None) -> Iterator[str]:
    yield from _unsaid(o.guide_camera, rig.guide.sensor, seen)
    yield f"an aperture of {rig.guide.optics.aperture_mm:g} mm"
    yield f"read noise of {rig.guide.sensor.read_noise_e:g} electrons"


def _of_wheel(o: Observatory, rig: RigSettings) -> Iterator[str]:
    bands = {one.name: one.band_nm for one in rig.wheel.filters}
    for name in o.wheel.slots:
        if o.filters[name].bandwidth_nm is None:
            yield f"a band of {bands[name]:g} nm for {name} (bandwidth_nm is not set)"
    yield f"{rig.wheel.travel_s_per_slot:g} s from slot to slot"


def _of_focuser(o: Observatory, rig: RigSettings) -> Iterator[str]:
    if o.focuser.start_steps is None:
        yield f"focus at {rig.focuser.start_steps} steps (start_steps is not set)"
    if "slope_steps_per_c" not in o.focuser.model_fields_set:
        slope = f"{rig.focus.slope_steps_per_c:g} steps/°C"
        yield f"a shift of focus by {slope} (slope_steps_per_c is not set)"
    yield f"{rig.focuser.steps_per_s:g} steps/s"


def _of_mount(rig: RigSettings) -> Iterator[str]:
    yield f"slews of {rig.mount.slew_deg_per_s:g}°/s"
    yield f"a polar error of {rig.mount.polar_error_arcmin:g}′"
    yield f"a periodic error of {rig.mount.periodic_error_arcsec:g}″"
