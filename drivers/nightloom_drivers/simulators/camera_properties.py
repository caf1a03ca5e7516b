"""The INDI properties of a camera."""

from collections.abc import Iterable

from nightloom_drivers.link.vector import Kind, Value
from nightloom_drivers.rig_settings import SensorSettings
from nightloom_drivers.simulators.simulator import Property, one_of_many

SHORTEST_S = 0.001


INFO = (
    "CCD_MAX_X", "CCD_MAX_Y", "CCD_PIXEL_SIZE", "CCD_PIXEL_SIZE_X", "CCD_PIXEL_SIZE_Y",
    "CCD_BITSPERPIXEL",
)  # fmt: skip
"""What INDI's cameras tell of their sensor."""


def exposing(
    sensor: SensorSettings, kinds: Iterable[str], binning_max: int
) -> tuple[Property, ...]:
    """What an exposure is asked for with, and what comes of it."""
    width, height = float(sensor.width_px), float(sensor.height_px)
    return (
        _numbers("CCD_EXPOSURE", {"CCD_EXPOSURE_VALUE": 0.0}, (SHORTEST_S, 3600.0)),
        Property("CCD_ABORT_EXPOSURE", Kind.SWITCH, {"ABORT": False}, rule="AtMostOne"),
        Property(
            "CCD_FRAME",
            Kind.NUMBER,
            {"X": 0.0, "Y": 0.0, "WIDTH": width, "HEIGHT": height},
            {
                "X": (0.0, width - 1.0),
                "Y": (0.0, height - 1.0),
                "WIDTH": (1.0, width),
                "HEIGHT": (1.0, height),
            },
            group="Image Settings",
        ),
        Property("CCD_FRAME_RESET", Kind.SWITCH, {"RESET": False}, rule="AtMostOne"),
        _numbers("CCD_BINNING", {"HOR_BIN": 1.0, "VER_BIN": 1.0}, (1.0, float(binning_max))),
        one_of_many("CCD_FRAME_TYPE", *kinds),
        Property(
            "CCD_INFO",
            Kind.NUMBER,
            dict.fromkeys(INFO, 0.0),
            writable=False,
            group="Image Info",
        ),
        Property("CCD1", Kind.BLOB, {"CCD1": ""}, writable=False, group="Image Info"),
    )


def settings(telescope: tuple[float, float]) -> tuple[Property, ...]:
    """What is set once; the telescope is its focal length and aperture in mm."""
    focal_mm, aperture_mm = telescope
    return (
        _numbers("CCD_GAIN", {"GAIN": 100.0}, (0.0, 500.0)),
        _numbers("CCD_OFFSET", {"OFFSET": 50.0}, (0.0, 500.0)),
        _numbers("SCOPE_INFO", {"FOCAL_LENGTH": focal_mm, "APERTURE": aperture_mm}, (1.0, 1e5)),
        one_of_many("UPLOAD_MODE", "UPLOAD_CLIENT", "UPLOAD_LOCAL", "UPLOAD_BOTH"),
        one_of_many("CCD_TRANSFER_FORMAT", "FORMAT_FITS", "FORMAT_NATIVE"),
        one_of_many("CCD_COMPRESSION", "INDI_DISABLED", "INDI_ENABLED"),
        Property(
            "ACTIVE_DEVICES",
            Kind.TEXT,
            dict.fromkeys(("ACTIVE_TELESCOPE", "ACTIVE_FOCUSER", "ACTIVE_FILTER"), ""),
            group="Options",
            early=True,
        ),
    )


def cooling(temperature_c: float) -> tuple[Property, ...]:
    """What a cooled camera has besides."""
    return (
        Property(
            "CCD_TEMPERATURE",
            Kind.NUMBER,
            {"CCD_TEMPERATURE_VALUE": round(temperature_c, 3)},
            {"CCD_TEMPERATURE_VALUE": (-50.0, 50.0)},
        ),
        Property(
            "CCD_TEMP_RAMP",
            Kind.NUMBER,
            {"RAMP_SLOPE": 0.0, "RAMP_THRESHOLD": 0.2},
            {"RAMP_SLOPE": (0.0, 30.0), "RAMP_THRESHOLD": (0.1, 2.0)},
        ),
        Property("CCD_COOLER", Kind.SWITCH, {"COOLER_ON": False, "COOLER_OFF": True}),
        Property("CCD_COOLER_POWER", Kind.NUMBER, {"CCD_COOLER_VALUE": 0.0}, writable=False),
    )


def _numbers(name: str, values: dict[str, Value], limits: tuple[float, float]) -> Property:
    return Property(name, Kind.NUMBER, values, dict.fromkeys(values, limits))
