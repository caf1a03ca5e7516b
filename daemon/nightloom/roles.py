"""The devices of a rig by role, stated once.

A role is a section of observatory.toml that names a device: what the device must be, how it is
made from the settings, and which simulated device stands in for it. A new device needs a row here,
its class, its simulator, its section, and a field of the same name in `Rig`, or in `SafetyDevices`
where it is guarded.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, TypeVar, cast

from nightloom.settings import Observatory
from nightloom.settings import observatory as sections
from nightloom_drivers.clock import Clock
from nightloom_drivers.devices import (
    Camera,
    CameraSettings,
    Device,
    DustCap,
    DustCapSettings,
    FilterWheel,
    FilterWheelSettings,
    Focuser,
    FocuserSettings,
    GuidePort,
    GuidePortSettings,
    Mount,
    MountSettings,
    Roof,
    RoofSettings,
    Weather,
    WeatherSettings,
)
from nightloom_drivers.link import Link
from nightloom_drivers.simulators import rig as simulated

GUIDE_FRAME_LATE_S = 10.0
"""A guide frame downloads in a second or two; while one is waited for, nothing is corrected."""

Section = TypeVar("Section")
DeviceSettings = TypeVar("DeviceSettings")


class NamesDevice(Protocol):
    """A section of observatory.toml that stands for a device."""

    device: str
    """Its INDI name."""


Make = Callable[[Link, NamesDevice, Observatory, Clock], Device]


@dataclass(frozen=True)
class Role:
    """One place in the rig.

    `section` is its table in observatory.toml and its field in `Rig`, or in `SafetyDevices` when
    only the `guarded` way leads to it. `interface` is the DRIVER_INTERFACE bit that its driver must
    claim, as INDI's base device defines them, and `words` say the same to people.
    """

    section: str
    interface: int
    words: str
    make: Make
    simulated: str
    guarded: bool = False

    def said(self, observatory: Observatory) -> NamesDevice | None:
        """Its section, or None where the observatory has no such device."""
        return cast(NamesDevice | None, getattr(observatory, self.section))

    def device(self, link: Link, observatory: Observatory, clock: Clock) -> Device | None:
        """Its device over a link, or None where the observatory has none."""
        said = self.said(observatory)
        return None if said is None else self.make(link, said, observatory, clock)


def _made(
    device: Callable[[Link, str, DeviceSettings, Clock], Device],
    settings: Callable[[Section, Observatory], DeviceSettings],
) -> Make:
    """How a device is made, when its settings come from its section and the whole."""

    def make(link: Link, said: NamesDevice, observatory: Observatory, clock: Clock) -> Device:
        return device(link, said.device, settings(cast(Section, said), observatory), clock)

    return make


def _snooped(o: Observatory) -> dict[str, str]:
    """The devices that a camera's driver names in its headers."""
    return {
        "ACTIVE_TELESCOPE": o.mount.device,
        "ACTIVE_FOCUSER": o.focuser.device,
        "ACTIVE_FILTER": o.wheel.device,
    }


def _camera(said: sections.Camera, o: Observatory) -> CameraSettings:
    return CameraSettings(
        gain=said.gain,
        offset=said.offset,
        binning=said.binning,
        pixel_um=said.pixel_um,
        download_deadline_s=said.download_deadline_s,
        snooped=_snooped(o),
    )


def _guide_camera(said: sections.GuideCamera, o: Observatory) -> CameraSettings:
    return CameraSettings(
        chip=said.head,
        binning=said.binning,
        pixel_um=said.pixel_um,
        download_deadline_s=GUIDE_FRAME_LATE_S,
        snooped=_snooped(o),
    )


def _focuser(said: sections.Focuser, _: Observatory) -> FocuserSettings:
    return FocuserSettings(said.minimum_steps, said.maximum_steps)


def _mount(said: sections.Mount, _: Observatory) -> MountSettings:
    return MountSettings(pier_side_inverted=said.pier_side == "opposite")


def _weather(said: sections.Weather, _: Observatory) -> WeatherSettings:
    limits = {name: (limit.minimum, limit.maximum) for name, limit in said.limits.items()}
    return WeatherSettings(said.silence_s, limits, said.frozen_s or None)


def _roof(said: sections.Roof, _: Observatory) -> RoofSettings:
    return RoofSettings(said.move_deadline_s)


ROLES = (
    Role("camera", 2, "a camera", _made(Camera, _camera), simulated.CAMERA),
    Role("guide_camera", 2, "a camera", _made(Camera, _guide_camera), simulated.GUIDE_CAMERA),
    Role(
        "wheel", 16, "a filter wheel",
        _made(FilterWheel, lambda *_: FilterWheelSettings()), simulated.WHEEL,
    ),
    Role("focuser", 8, "a focuser", _made(Focuser, _focuser), simulated.FOCUSER),
    Role("mount", 1, "a mount", _made(Mount, _mount), simulated.MOUNT, guarded=True),
    Role(
        "guide_port", 4, "a receiver of guide pulses",
        _made(GuidePort, lambda *_: GuidePortSettings()), simulated.MOUNT,
    ),
    Role(
        "weather", 128, "a weather station", _made(Weather, _weather), simulated.STATION,
        guarded=True,
    ),
    Role("roof", 32, "a roof or dome", _made(Roof, _roof), simulated.ROOF, guarded=True),
    Role(
        "dust_cap", 512, "a dust cap",
        _made(DustCap, lambda *_: DustCapSettings()), simulated.DUST_CAP,
    ),
)  # fmt: skip
"""Every role, in the order of the configuration."""
