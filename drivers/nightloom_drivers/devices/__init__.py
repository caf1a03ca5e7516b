"""Typed devices over a link: each command returns when it is done, or raises."""

from nightloom_drivers.devices.camera import Camera
from nightloom_drivers.devices.chip import CameraInfo, CameraSettings
from nightloom_drivers.devices.coordinates import Position
from nightloom_drivers.devices.device import Device
from nightloom_drivers.devices.dust_cap import DustCap, DustCapSettings
from nightloom_drivers.devices.exposure import CameraFrame, Exposure
from nightloom_drivers.devices.filter_wheel import FilterWheel, FilterWheelSettings
from nightloom_drivers.devices.focuser import Focuser, FocuserSettings
from nightloom_drivers.devices.guide_port import GuidePort, GuidePortSettings
from nightloom_drivers.devices.light_panel import LightPanel, LightPanelSettings
from nightloom_drivers.devices.mount import Mount, MountSettings
from nightloom_drivers.devices.pier_side import PierSide
from nightloom_drivers.devices.power_switch import Outlet, PowerSwitch, PowerSwitchSettings
from nightloom_drivers.devices.roof import Roof, RoofSettings, RoofState, RoofUnmoved
from nightloom_drivers.devices.stations import Stations
from nightloom_drivers.devices.weather import Weather, WeatherReport, WeatherSettings
from nightloom_drivers.devices.weather_units import UNITS, Limit, stated_unit

__all__ = [
    "UNITS",
    "Camera",
    "CameraFrame",
    "CameraInfo",
    "CameraSettings",
    "Device",
    "DustCap",
    "DustCapSettings",
    "Exposure",
    "FilterWheel",
    "FilterWheelSettings",
    "Focuser",
    "FocuserSettings",
    "GuidePort",
    "GuidePortSettings",
    "LightPanel",
    "LightPanelSettings",
    "Limit",
    "Mount",
    "MountSettings",
    "Outlet",
    "PierSide",
    "Position",
    "PowerSwitch",
    "PowerSwitchSettings",
    "Roof",
    "RoofSettings",
    "RoofState",
    "RoofUnmoved",
    "Stations",
    "Weather",
    "WeatherReport",
    "WeatherSettings",
    "stated_unit",
]
