"""The read model: everything that a page would show of a running daemon.

Numbers carry their unit in their name; null is what is not known, or not there, at present.
"""

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Exposing(_Part):
    """The sub whose shutter is open."""

    uid: str = Field(description="its name in the ledger")
    target: str = Field(description="name of the target")
    filter: str = Field(description="filter in the light path")
    exposure_s: float = Field(description="length asked for")
    begun_utc: datetime = Field(description="when the shutter opened")
    open_s: float = Field(description="how long it has been open")
    left_s: float = Field(description="how long it still will be")


class NextStep(_Part):
    """What comes next."""

    what: str = Field(description="in a few words")
    at_utc: datetime | None = Field(default=None, description="when; null when nobody can tell")


class PlannedTarget(_Part):
    """One stretch of the night as it is planned."""

    target: str = Field(description="name of the target")
    begins_utc: datetime = Field(description="when it begins")
    ends_utc: datetime = Field(description="when it ends")


class FilterStatus(_Part):
    """The tally of one filter of a target."""

    filter: str = Field(description="name of the filter")
    accepted_s: float = Field(description="accepted seconds over all nights")
    wanted_s: float | None = Field(default=None, description="seconds asked for; null without end")
    asked_fraction: float = Field(description="part of the target's seconds asked for it")
    ahead_cycles: float = Field(description="how many cycles ahead of its share; negative: behind")


class TargetStatus(_Part):
    """The tally of one target."""

    target: str = Field(description="name of the target")
    accepted_s: float = Field(description="accepted seconds over all nights")
    unevenness: float = Field(description="largest distance of a filter from its share, in cycles")
    filters: list[FilterStatus] = Field(description="each of its filters")


class GuidingStatus(_Part):
    """How the guide stars are held."""

    held: bool = Field(description="whether they are")
    rms_arcsec: float | None = Field(default=None, description="error since the last sub began")
    ra_rms_arcsec: float | None = Field(default=None, description="the same in RA alone")
    dec_rms_arcsec: float | None = Field(default=None, description="the same in declination alone")
    peak_arcsec: float | None = Field(default=None, description="largest error")


class FocusStatus(_Part):
    """Where the focuser is, and when focus was looked at."""

    position_steps: int | None = Field(default=None, description="position read back")
    temperature_c: float | None = Field(default=None, description="temperature at the focuser")
    looked_utc: datetime | None = Field(default=None, description="the last look at the focus")
    found: str = Field(default="", description="what that look found")


class SafetyStatus(_Part):
    """Weather, roof and mount, as the guard knows them."""

    safe: bool = Field(description="whether the rig was seen to park and to close")
    weather: list[str] = Field(description="what speaks against an open roof; empty: nothing")
    roof: str = Field(description="open, closed, unknown; none where there is no roof")
    mount: str = Field(description="parked, tracking, moving, at rest, unknown")
    pier_side: str = Field(description="east, west or unknown")


class FrameStatus(_Part):
    """The last frame that has a verdict."""

    utc: datetime = Field(description="when it was judged")
    uid: str = Field(description="its name in the ledger")
    target: str = Field(description="name of the target")
    filter: str = Field(description="filter it was taken through")
    exposure_s: float = Field(description="its length")
    accepted: bool = Field(description="whether it counts")
    reason: str = Field(default="", description="why not, when it does not")
    path: str = Field(default="", description="path under the output folder")
    stars: int | None = Field(default=None, description="stars measured")
    half_flux_radius_px: float | None = Field(default=None, description="median over its stars")
    half_flux_radius_arcsec: float | None = Field(default=None, description="the same on the sky")
    background_adu: float | None = Field(default=None, description="sky level")


class ProblemStatus(_Part):
    """A warning or an error of the log."""

    utc: datetime = Field(description="when it was logged")
    level: str = Field(description="warning or error")
    event: str = Field(description="the event's name in the log")
    text: str = Field(description="what it says")


class Status(_Part):
    """The daemon at a moment."""

    utc: datetime = Field(description="that moment")
    observatory: str = Field(description="name of the observatory")
    time_zone: str = Field(
        default="UTC", description="name of the zone in which people are told times"
    )
    utc_offset_min: int = Field(default=0, description="what that zone is ahead of UTC, in minutes")
    scale_arcsec_per_px: float | None = Field(
        default=None, description="sky angle of a pixel of a frame; null when not known"
    )
    phase: str = Field(description="where the night is")
    since_utc: datetime | None = Field(default=None, description="since when")
    reason: str = Field(default="", description="why")
    paused_by: str = Field(default="", description="who asked for a pause that is in force")
    retiring_for: str = Field(
        default="", description="who asked for the end; it may wait for a sub that ends soon"
    )
    night: str = Field(default="", description="date of the evening, YYYY-MM-DD")
    dark_begins_utc: datetime | None = Field(default=None, description="when it gets dark")
    dark_ends_utc: datetime | None = Field(default=None, description="when it stops being dark")
    target: str = Field(default="", description="the target that is acquired or runs")
    exposing: Exposing | None = Field(default=None, description="the sub that is exposed")
    downloading: list[str] = Field(
        default_factory=list, description="subs whose shutter has closed, without a verdict"
    )
    next: NextStep | None = Field(default=None, description="what comes next")
    plan: list[PlannedTarget] = Field(default_factory=list, description="the plan from now on")
    tally: list[TargetStatus] = Field(default_factory=list, description="got against asked")
    guiding: GuidingStatus | None = Field(default=None, description="the guide stars")
    transparency: float | None = Field(
        default=None, description="light of the guide stars against that when they were chosen"
    )
    focus: FocusStatus | None = Field(default=None, description="the focus")
    sensor_c: float | None = Field(default=None, description="temperature of the main sensor")
    safety: SafetyStatus | None = Field(default=None, description="weather, roof and mount")
    last_frame: FrameStatus | None = Field(default=None, description="the last one judged")
    problems: list[ProblemStatus] = Field(
        default_factory=list, description="the latest warnings and errors, oldest first"
    )
