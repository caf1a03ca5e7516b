"""The table of roles against INDI's own library, and against what is made from it."""

from pathlib import Path
from typing import get_args, get_type_hints

import PyIndi
import pytest

from nightloom.rig import Rig, assemble, safety_devices, simulated_settings
from nightloom.roles import ROLES
from nightloom.safety import SafetyDevices
from nightloom.settings import Observatory, read_settings
from nightloom_drivers.clock import WallClock
from nightloom_drivers.link import LoopbackLink
from nightloom_drivers.simulators.rig import DEVICES

DEMO = Path(__file__).parents[2] / "config" / "demo"

INDI = {
    "camera": PyIndi.BaseDevice.CCD_INTERFACE,
    "guide_camera": PyIndi.BaseDevice.CCD_INTERFACE,
    "wheel": PyIndi.BaseDevice.FILTER_INTERFACE,
    "focuser": PyIndi.BaseDevice.FOCUSER_INTERFACE,
    "mount": PyIndi.BaseDevice.TELESCOPE_INTERFACE,
    "guide_port": PyIndi.BaseDevice.GUIDER_INTERFACE,
    "weather": PyIndi.BaseDevice.WEATHER_INTERFACE,
    "roof": PyIndi.BaseDevice.DOME_INTERFACE,
    "dust_cap": PyIndi.BaseDevice.DUSTCAP_INTERFACE,
    "light_panel": PyIndi.BaseDevice.LIGHTBOX_INTERFACE,
    "power": PyIndi.BaseDevice.GENERAL_INTERFACE,
}
"""The bits as INDI's library has them (basedevice.h)."""

NO_DEVICES = {"link", "measuring", "guide_measuring"}
"""What a rig has beside its devices."""


def test_interface_bits_are_those_of_the_indi_library() -> None:
    assert {role.section: role.interface for role in ROLES} == INDI


def test_each_device_is_named_once_and_has_a_simulated_one() -> None:
    assert len({role.section for role in ROLES}) == len(ROLES)
    assert {role.section for role in ROLES} <= set(Observatory.model_fields)
    assert {role.simulated for role in ROLES} <= set(DEVICES)


@pytest.mark.parametrize(("whole", "guarded"), [(Rig, False), (SafetyDevices, True)])
def test_the_guard_has_mount_roof_and_station_and_the_rig_all_others(
    whole: type, guarded: bool
) -> None:
    """Every field is filled by the device that it is declared to be."""
    settings, _ = simulated_settings(read_settings(DEMO))
    link = LoopbackLink([])
    make = safety_devices if guarded else assemble
    made = vars(make(link, settings.observatory, WallClock()))
    declared = get_type_hints(whole)
    assert set(made) == set(declared)
    assert set(made) - NO_DEVICES == {role.section for role in ROLES if role.guarded is guarded}
    assert guarded == ("mount" in made) == ("roof" in made) == ("weather" in made)
    for role in ROLES:
        if role.guarded is guarded:
            device, kind = made[role.section], declared[role.section]
            if role.plural:
                (device,), (kind, _) = device, get_args(kind)
            assert isinstance(device, kind)
            assert device.device == role.simulated
