"""A calibration frame as the ledger keeps it; its field names are its column names."""

from dataclasses import dataclass
from datetime import datetime

from nightloom_drivers.frame_kind import FrameKind


@dataclass(frozen=True)
class CalibrationFrame:
    """A dark, bias or flat that is kept, for lights like it. Only a flat has a filter."""

    uid: str
    night: str
    """Date of the evening, YYYY-MM-DD."""
    kind: FrameKind
    filter: str
    exposure_s: float
    start_utc: datetime
    path: str
    """Relative to the folder of calibration frames; empty when none are written."""
    sha256: str
    level_adu: float
    """Median of its pixels."""
    gain: float | None
    camera_offset: float | None
    binning: int
    sensor_c: float | None
    rotation_deg: float | None = None
    """Position angle of the camera by the latest light that was solved."""
    panel_level: float | None = None
    """How bright the light panel was set; None for a flat of the sky."""
