"""The devices of a rig by role, stated once.

A role is a section of observatory.toml that names a device: what the device must be, how it is
made from the settings, and which simulated device stands in for it. A new device needs a row here,
its class, its simulator, its section, and a field of the same name in `Rig`, or in `SafetyDevices`
where it is guarded.
"""

from collections.abc import Callable, Iterator
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
    LightPanel,
    LightPanelSettings,
    Mount,
    MountSettings,
    Outlet,
    PowerSwitch,
    PowerSwitchSettings,
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
    claim, as INDI's base device defines them, and `words` say the same to people. One that is
    `plural` may be filled by several devices.
    """

    section: str
    interface: int
    words: str
    make: Make
    simulated: str
    guarded: bool = False
    plural: bool = False

    def said(self, observatory: Observatory) -> tuple[NamesDevice, ...]:
        """Its sections: none where the observatory has no such device, many if it is `plural`."""
        said = getattr(observatory, self.section)
        if self.plural:
            return tuple(said)
        return () if said is None else (said,)

    def place(self, number: int) -> str:
        """Where the section of this number, from 0, stands in observatory.toml."""
        return f"{self.section}[{number + 1}]" if self.plural and number else self.section

    def filled(
        self, link: Link, observatory: Observatory, clock: Clock
    ) -> Device | tuple[Device, ...] | None:
        """Its device over a link, or None where there is none; all of them if it is `plural`."""
        devices = tuple(
            self.make(link, said, observatory, clock) for said in self.said(observatory)
        )
        return devices if self.plural else next(iter(devices), None)


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
    limits = {name: said.limit for name, said in said.limits.items()}
    return WeatherSettings(said.silence_s, limits, said.frozen_s or None)


def _power(said: sections.PowerSwitch, o: Observatory) -> PowerSwitchSettings:
    fed = {role: role_said.device for role, role_said in _fed(said, o)}
    outlets: dict[str, Outlet] = {
        role: Outlet(fed[role], one.vector, one.element, one.off_element)
        for role, one in said.outlets.items()
        if role in fed
    }
    return PowerSwitchSettings(outlets, said.off_s, said.back_s)


def _fed(said: sections.PowerSwitch, o: Observatory) -> Iterator[tuple[str, NamesDevice]]:
    """The roles with an outlet that the observatory has, and their sections."""
    for role in said.outlets:
        section = cast(NamesDevice | None, getattr(o, role))
        if section is not None:
            yield role, section


def _roof(said: sections.Roof, _: Observatory) -> RoofSettings:
    return RoofSettings(said.move_deadline_s)


ANY = 0
"""No bit: power boxes claim what else they are, or nothing."""

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
        guarded=True, plural=True,
    ),
    Role("roof", 32, "a roof or dome", _made(Roof, _roof), simulated.ROOF, guarded=True),
    Role(
        "dust_cap", 512, "a dust cap",
        _made(DustCap, lambda *_: DustCapSettings()), simulated.DUST_CAP,
    ),
    Role(
        "light_panel", 1024, "a light panel",
        _made(LightPanel, lambda *_: LightPanelSettings()), simulated.LIGHT_PANEL,
    ),
    Role("power", ANY, "a power switch", _made(PowerSwitch, _power), simulated.POWER_SWITCH),
)  # fmt: skip
"""Every role, in the order of the configuration."""
