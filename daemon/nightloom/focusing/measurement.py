"""What tells of focus: a position as one curve or check found it, and the stars of a sub."""

from dataclasses import dataclass
from math import nan


@dataclass(frozen=True)
class FocusMeasurement:
    """Best focus as an accepted curve found it, or a check that was clear.

    Without a temperature it takes that of its session's others.
    """

    session: str
    filter: str
    at_h: float
    vertex_steps: float
    error_steps: float
    temperature_c: float | None = None
    check: bool = False


@dataclass(frozen=True)
class SubSize:
    """What a sub shows: star size, airmass, guide stars' FWHM (NaN unknown) with its standard error
    in ln width, and where the focuser stood, in zones from the same origin as best focus, less its
    filter's offset.
    """

    at_s: float
    filter: str
    radius_px: float
    airmass: float
    position: float
    guide_fwhm_px: float = nan
    guide_error: float = 0.0


@dataclass(frozen=True)
class Surprise:
    """How much larger a sub's stars are than expected: in ln radius, and in standard errors."""

    growth: float = 0.0
    standard: float = 0.0
