"""What a camera's chip is called in INDI, how it is used, and what is known of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True)
class Chip:
    """INDI's names for one chip of a camera."""

    prefix: str
    blob: str

    @property
    def exposure(self) -> str:
        return f"{self.prefix}_EXPOSURE"

    @property
    def exposure_value(self) -> str:
        return f"{self.prefix}_EXPOSURE_VALUE"


CHIPS = {"main": Chip("CCD", "CCD1"), "guide": Chip("GUIDER", "CCD2")}


@dataclass(frozen=True)
class CameraSettings:
    """How a camera is used. `pixel_um`, of an unbinned pixel, stands for what its driver says.

    `start_tolerance_s` is how far a frame's DATE-OBS may lie outside its exposure; None when the
    clock of the driver's host is not to be trusted. `snooped` names the devices whose data the
    driver writes into headers, by INDI's element (ACTIVE_TELESCOPE, ACTIVE_FOCUSER ...).
    """

    chip: Literal["main", "guide"] = "main"
    gain: float | None = None
    offset: float | None = None
    binning: int = 1
    pixel_um: float | None = None
    download_deadline_s: float = 30.0
    start_tolerance_s: float | None = 2.0
    snooped: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class CameraInfo:
    """The whole chip: unbinned pixels, their size (NaN when not told), bits a pixel (or 0)."""

    width: int
    height: int
    pixel_um: float
    bits: int
