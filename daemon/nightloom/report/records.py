"""What is known of a night, as plain records; moments are Unix seconds."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from nightloom.sky import Interval


class Fate(StrEnum):
    """What became of a sub."""

    KEPT = "kept"
    REJECTED = "rejected"
    GIVEN_UP = "given up"


class Act(StrEnum):
    """What takes a stretch of time and ends with an event that says how long."""

    DOWNLOAD = "download"
    CHANGE = "change"
    DITHER = "dither"
    FOCUS = "focus"


@dataclass(frozen=True)
class Exposure:
    """A sub: when its shutter was open, and what its frame showed; None where it is not known."""

    uid: str
    target: str
    filter: str
    exposure_s: float
    open: Interval
    fate: Fate
    reason: str = ""
    path: str = ""
    half_flux_radius_px: float | None = None
    stars: int | None = None
    background_adu: float | None = None
    guide_rms_arcsec: float | None = None
    transparency: float | None = None
    airmass: float | None = None
    gradient: float | None = None
    """How far the sky differs across the frame, in parts of its level."""
    worth_s: float | None = None
    """Seconds of the best sky that it is worth."""

    @property
    def middle_s(self) -> float:
        """Half-way through."""
        return (self.open.start_unix_s + self.open.end_unix_s) / 2.0

    @property
    def kept(self) -> bool:
        """Whether it counts."""
        return self.fate is Fate.KEPT


@dataclass(frozen=True)
class Done:
    """A stretch in which something was done."""

    act: Act
    span: Interval
    detail: str = ""


@dataclass(frozen=True)
class Stay:
    """A stretch in one phase."""

    phase: str
    span: Interval
    reason: str = ""


@dataclass(frozen=True)
class Told:
    """A warning or an error of the log, in its words, and what was done about it."""

    at_s: float
    level: str
    event: str
    words: str


@dataclass(frozen=True)
class Look:
    """A look at the focus: a curve or a check."""

    at_s: float
    kind: str
    filter: str
    found: str
    vertex_steps: float | None = None
    error_steps: float | None = None
    temperature_c: float | None = None
    used: bool = True


@dataclass(frozen=True)
class FilterRow:
    """What one filter of a target has."""

    filter: str
    tonight_s: float
    all_s: float
    wanted_s: float | None
    share: float
    """Part of the target's seconds that was asked for it; 0 when none was."""
    cycle_s: float
    """Seconds that it gets in a cycle; 0 when it is not asked for."""
    kept: int
    rejected: int
    worth_s: float | None = None
    """Seconds of the best sky that tonight's are worth; None where the ledger does not say."""


@dataclass(frozen=True)
class FilterFacts:
    """What the settings and the curves say of a filter; None where it is not known."""

    name: str
    wavelength_nm: float | None = None
    bandwidth_nm: float | None = None
    configured_steps: float | None = None
    learned_steps: float | None = None
    error_steps: float | None = None
    trust: str = ""
    zone_steps: float | None = None


@dataclass(frozen=True)
class FocusLine:
    """Focus against temperature as it was learned, counted from the reference filter."""

    reference: str
    slope_steps_per_c: float
    error_steps_per_c: float
    known: bool


@dataclass(frozen=True)
class AltitudePath:
    """Where a target, or the Moon, stood; equal lengths."""

    name: str
    unix_s: tuple[float, ...]
    altitude_deg: tuple[float, ...]


@dataclass(frozen=True)
class Backlash:
    """The focuser's lost motion, where the night found more than was configured."""

    configured_steps: float
    found_steps: float
    error_steps: float


@dataclass(frozen=True)
class Shelf:
    """Calibration frames that some lights ask for, in words, and how many there are."""

    frames: str
    tonight: int
    fresh: int
    too_old: int
    wanted: int
    missing: int


@dataclass(frozen=True)
class Night:
    """All that the report knows of a night."""

    night: str
    observatory: str
    zone: str
    dark: Interval
    """As far as the night was to be used."""
    stays: tuple[Stay, ...] = ()
    done: tuple[Done, ...] = ()
    faults: tuple[Interval, ...] = ()
    """From what went wrong to the next sub."""
    silent: tuple[Interval, ...] = ()
    """Stretches in which nothing ran."""
    subs: tuple[Exposure, ...] = ()
    told: tuple[Told, ...] = ()
    looks: tuple[Look, ...] = ()
    sky: tuple[tuple[float, str, float], ...] = ()
    """From when on the stars were dimmed by what, and by how many magnitudes."""
    crossings: tuple[float, ...] = ()
    targets: Mapping[str, tuple[FilterRow, ...]] = field(default_factory=dict)
    filters: Mapping[str, FilterFacts] = field(default_factory=dict)
    focus_line: FocusLine | None = None
    backlash: Backlash | None = None
    paths: tuple[AltitudePath, ...] = ()
    moon_lit: float | None = None
    least_gap_s: float | None = None
    """The least time that the gaps of the night's subs could have taken."""
    arcsec_per_px: float | None = None
    library: tuple[Shelf, ...] = ()
    ended: bool = True
    """Whether the log says that the rig was parked and closed at the end."""
