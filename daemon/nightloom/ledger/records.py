"""What the ledger keeps, as plain records; their field names are its column names."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Literal

from nightloom_drivers.frame_kind import FrameKind


def uid_of(night: str, number: int) -> str:
    """The name of a night's sub, and of its frame."""
    return f"{night}-{number:04d}"


def number_of(uid: str) -> int:
    """The number in such a name."""
    return int(uid.rpartition("-")[2])


class Part(StrEnum):
    """What takes time between two subs."""

    DOWNLOAD = "download"
    CHANGE = "change"
    DITHER = "dither"


class Verdict(StrEnum):
    """What the daemon decided about a frame."""

    ACCEPTED = "accepted"
    REJECTED = "rejected"


class Stage(StrEnum):
    """How far a sub has come on its way from the shutter to its verdict."""

    BEGUN = "begun"
    """Written down; its shutter may open."""
    CLOSED = "closed"
    """All its light is collected: from here on it is pending, and nothing throws it away."""
    ARRIVED = "arrived"
    """Its last byte is here, and its path is known."""
    STORED = "stored"
    """Its file is safely on disk."""
    JUDGED = "judged"
    """It is among the frames, with its verdict."""
    CANCELLED = "cancelled"
    """It counts nowhere."""


@dataclass(frozen=True)
class Sub:
    """A frame on its way, with all that judging it needs beside its pixels.

    There is no other record of it: what is pending is read from here, before and after a crash.
    """

    uid: str
    night: str
    """Date of the evening, YYYY-MM-DD."""
    target: str
    filter: str
    exposure_s: float
    pointing: int
    begun_utc: datetime
    stage: Stage = Stage.BEGUN
    airmass: float | None = None
    guide_rms_arcsec: float | None = None
    guide_ra_rms_arcsec: float | None = None
    guide_dec_rms_arcsec: float | None = None
    guide_peak_arcsec: float | None = None
    guide_seeing_arcsec: float | None = None
    rotation_deg: float | None = None
    guide_transparency: float | None = None
    """Mean part of a clear sky's light that the guide stars had meanwhile; None without any."""
    lit_sky: float | None = None
    """How bright Sun and Moon made a clear sky, in parts of a dark one."""
    start_utc: datetime | None = None
    """Start of the exposure as the camera has it."""
    path: str = ""
    """Relative to the folder of frames; empty when none are written."""
    outcome: str = ""
    """How it ended; empty while it is in flight."""
    kind: FrameKind = FrameKind.LIGHT
    mosaic: str = ""
    """That of which its target is a panel; empty where it is none."""
    panel: int = 0
    """Number of the panel, from 1; 0 where it is none."""
    sensor_c: float | None = None
    """Temperature of the sensor when its shutter had closed."""


@dataclass(frozen=True)
class Intent:
    """An act, written down before it is done.

    One without an outcome, found after a crash, means: look at the device, do not repeat.
    """

    id: int
    kind: str
    detail: dict[str, str]
    begun_utc: datetime
    ended_utc: datetime | None
    outcome: str | None


@dataclass(frozen=True)
class Frame:
    """One frame and its verdict; one that is accepted is safe on disk.

    Only a light has a target, and only it and a flat have a filter; empty for the others.
    """

    uid: str
    night: str
    """Date of the evening, YYYY-MM-DD."""
    target: str
    filter: str
    exposure_s: float
    start_utc: datetime
    path: str
    """Relative to the output folder; empty when no frames are written."""
    sha256: str
    verdict: Verdict
    reason: str
    """Why it was rejected; empty for an accepted frame."""
    pointing: int
    """Number of the dithered pointing on this target in this night."""
    half_flux_radius_px: float | None = None
    stars: int | None = None
    background_adu: float | None = None
    guide_rms_arcsec: float | None = None
    rotation_deg: float | None = None
    """Position angle of the frame's up, north through east; None when it was not solved."""
    kind: FrameKind = FrameKind.LIGHT
    taken_back_after: str = ""
    """Name of the frame by whose entry it had been accepted, and was rejected then."""
    dim: bool = False
    """Whether it was rejected for what the sky took of its light, which is no fault of a filter."""
    gain: float | None = None
    """Gain setting of the camera; None where none is set."""
    binning: int | None = None
    noise_adu: float | None = None
    """Noise of a pixel of its sky."""
    starlight: float | None = None
    """Part of the light of a clear zenith that its stars had."""
    worth_s: float | None = None
    """Seconds of its filter's clear dark night that it is worth; None where that is not known."""
    mosaic: str = ""
    """That of which its target is a panel; empty where it is none."""
    panel: int = 0
    """Number of the panel, from 1; 0 where it is none."""
    camera_offset: float | None = None
    """Offset setting of the camera; None where none is set."""
    sensor_c: float | None = None
    """Temperature of the sensor when its shutter had closed."""


@dataclass(frozen=True)
class Curve:
    """One scan of a focus run, used or refused. A run ends with its last one."""

    night: str
    taken_utc: datetime
    filter: str
    positions_steps: tuple[int, ...]
    radii_px: tuple[float | None, ...]
    """None where no star could be measured."""
    accepted: bool
    refusal: str = ""
    vertex_steps: float | None = None
    error_steps: float | None = None
    """Standard error of the vertex."""
    temperature_c: float | None = None
    star_counts: tuple[int, ...] = ()
    exposures_s: tuple[float, ...] = ()
    radius_px: float | None = None
    """Half-flux radius at the vertex, of the fitted curve."""
    slope_px_per_step: float | None = None
    """Growth of the radius for each step far from the vertex, of the fitted curve."""
    reason: str = ""
    """What asked for the focus run."""


@dataclass(frozen=True)
class Check:
    """One short two-sided test of the focus, about where the focuser stood."""

    night: str
    taken_utc: datetime
    filter: str
    positions_steps: tuple[int, ...]
    radii_px: tuple[float | None, ...]
    """None where too few stars could be measured."""
    outcome: str
    """stayed, moved or unclear."""
    vertex_steps: float | None
    """Where best focus was found, whether or not the focuser was moved there; None unknown."""
    error_steps: float | None
    """Standard error of that."""
    correction_steps: float
    """What the focuser was moved by afterwards."""
    temperature_c: float | None = None
    reason: str = ""
    """What asked for the check."""


@dataclass(frozen=True)
class Duration:
    """How long something between two subs took on the running rig."""

    kind: Part
    took_s: float
    measured_utc: datetime
    before: str = ""
    after: str = ""
    """Filters of a change; empty for the others."""


@dataclass(frozen=True)
class GuideCalibration:
    """How guide stars moved when pulsed: directions and rates on the guide camera."""

    measured_utc: datetime
    pier_side: Literal["east", "west", "unknown"]
    scale_arcsec_per_px: float
    declination_deg: float
    ra_angle_deg: float
    """Direction in which a pulse west moves the stars, from +x towards +y."""
    dec_angle_deg: float
    ra_rate_px_per_s: float
    dec_rate_px_per_s: float
    backlash_s: float
    north_is_south: bool
    """Whether a pulse north takes the telescope south."""


@dataclass(frozen=True)
class FocuserBacklash:
    """The focuser's lost motion on a turn, measured, with one standard error."""

    night: str
    measured_utc: datetime
    known_steps: int
    """What was taken up until then, before any margin."""
    found_steps: float
    error_steps: float


@dataclass(frozen=True)
class GuideHotPixels:
    """The hot pixels of the guide camera, by column and row, in frames of this size."""

    measured_utc: datetime
    width_px: int
    height_px: int
    places: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class PointingMiss:
    """By how much slews miss from a side of the pier, in the state the mount begins a night in."""

    night: str
    measured_utc: datetime
    pier_side: Literal["east", "west", "unknown"]
    east_deg: float
    north_deg: float
    told_east_deg: float
    """What the mount was told of its miss that night, by then."""
    told_north_deg: float
    doubted: bool
    """Whether it contradicts the miss of the night before it."""


@dataclass(frozen=True)
class Place:
    """Where a target stood on the main sensor, from its middle, at one pointing of a night."""

    night: str
    target: str
    number: int
    """As in the frames' `pointing`, from 1."""
    x_px: float
    y_px: float
