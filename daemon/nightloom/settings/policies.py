"""policies.toml: how the night decides. Every key has a default, so the file may be empty.

Defaults without a source are common practice among people who image.

Long on purpose: policies.toml is one file, and every default stands beside the others.
"""

from math import inf
from typing import Self

from pydantic import Field, field_validator, model_validator

from nightloom.settings.calibration import CalibrationPolicy
from nightloom.settings.frame_path import NamePattern
from nightloom.settings.notices import NoticePolicy
from nightloom.settings.remote import RemotePolicy
from nightloom.settings.table import Table


class DarkPolicy(Table):
    """When it is dark enough to image."""

    sun_altitude_deg: float = Field(
        default=-18.0, ge=-30, le=0, description="altitude of the Sun below which the night is dark"
    )


class CyclePolicy(Table):
    """How cycles make up for rejected subs."""

    make_up_cycles: int = Field(
        default=2, ge=1, le=20, description="cycles within which missing subs are made up"
    )


class FocusPolicy(Table):
    """When to focus, and how a focus curve is taken."""

    filter: str | None = Field(
        default=None,
        description="filter for focus; left out, that of the subs, for a narrow one the broadest",
    )
    points: int = Field(default=9, ge=7, le=31, description="positions of a curve, an odd number")
    step_steps: int | None = Field(
        default=None,
        ge=1,
        description="distance between two positions of a curve; left out, reckoned from the optics",
    )
    exposure_s: float = Field(default=4.0, gt=0, le=120, description="exposure at each position")
    maximum_exposure_s: float = Field(
        default=30.0, gt=0, le=300, description="longest exposure where stars are too few"
    )
    minimum_stars: int = Field(
        default=8, ge=1, description="stars needed at a position to count it"
    )
    false_alarms_per_night: float = Field(
        default=2.0,
        gt=0,
        le=50,
        description="checks of the focus without need that are borne in eight hours; more of them"
        " find a drift sooner",
    )
    refocus_after_s: float | None = Field(
        default=None, gt=0, description="age of a curve that asks for a new one; left out, none"
    )
    drift_zones_per_h: float = Field(
        default=1.0,
        ge=0,
        le=10,
        description="drift of focus to reckon with until subs and looks show less, in critical"
        " focus zones an hour; the next look is due by it, and with 0 none is for its age alone",
    )
    sway_growth_percent: float = Field(
        default=0.5,
        ge=0,
        le=5,
        description="growth of stars borne at most for telling by the subs themselves where best"
        " focus is: the focuser stands by turns a little outside and inside of it; 0 for never",
    )
    offset_error_zones: float = Field(
        default=0.15,
        gt=0,
        le=3,
        description="how well configured filter offsets are known, in critical focus zones",
    )
    turning_zones: float = Field(
        default=0.35,
        ge=0,
        le=10,
        description="shift of focus to reckon with when the telescope is turned over or to another"
        " target, in critical focus zones; beyond 0.4 a check follows each time",
    )
    temperature_change_c: float = Field(
        default=2.0,
        gt=0,
        description="change of temperature that asks for a check of the focus, where no subs have"
        " told of it meanwhile",
    )
    minimum_interval_s: float = Field(
        default=900.0,
        ge=0,
        description="age up to which a look at the focus will do, when one more would cost no time",
    )

    @field_validator("points")
    @classmethod
    def _balanced(cls, points: int) -> int:
        if points % 2 == 0:
            raise ValueError("must be odd, so that the curve has a middle")
        return points


class GuidingPolicy(Table):
    """How the guide stars are held. `guiding.derived` says what is taken for what is left out."""

    rest_within_arcsec: float | None = Field(
        default=None,
        gt=0,
        description="error beyond which the guide stars are not at rest, unless the air makes it; "
        "left out, half a pixel of the main camera",
    )
    rest_for_s: float | None = Field(
        default=None,
        ge=0,
        description="time that they must stay inside the scatter of the guiding; left out, a guide "
        "exposure, and 2 s at least",
    )
    rest_deadline_s: float | None = Field(
        default=None,
        gt=0,
        description="longest wait for rest; a sub that bears the error begins then; left out, ten "
        "times the time above",
    )
    ignored_error_arcsec: float = Field(
        default=0.08,
        ge=0,
        description="error below which no pulse is sent, so as not to chase the seeing",
    )
    maximum_pulse_ms: float = Field(default=2000.0, gt=0, description="longest single pulse")
    calibration_step_ms: float | None = Field(
        default=None,
        gt=0,
        description="first pulse of each leg of a calibration; left out, one that moves the stars "
        "by 2 pixels of the guide camera at the guide rate that the mount reports, or else at half "
        "the sidereal rate",
    )
    lost_frames: int = Field(
        default=5, ge=1, description="guide frames in a row without a star that make them lost"
    )
    unguided_s: float | None = Field(
        default=None,
        gt=0,
        le=600,
        description="longest sub when the guide camera or port has failed for good; all filters'"
        " subs are shortened alike; left out, nothing is taken without guiding",
    )


class DitherPolicy(Table):
    """How far the pointing moves, in pixels of the main camera, and what it takes before."""

    radius_px: float = Field(default=12.0, gt=0, description="farthest dither from the centre")
    minimum_step_px: float = Field(
        default=3.0, ge=0, description="shortest step between two pointings"
    )
    subs_per_pointing: int = Field(
        default=1, ge=1, le=1000, description="subs of each filter that one pointing takes"
    )
    exposed_s_per_pointing: float = Field(
        default=30.0,
        ge=0,
        le=7200,
        description="exposed seconds of each filter that one pointing takes where these are more"
        " subs: short ones would spend the night dithering",
    )

    def room(self, exposure_s: float) -> int:
        """Subs of one filter that a pointing takes, by their length."""
        return max(self.subs_per_pointing, int(self.exposed_s_per_pointing / exposure_s + 1e-6))

    @model_validator(mode="after")
    def _room(self) -> Self:
        if self.minimum_step_px > self.radius_px:
            raise ValueError("must have minimum_step_px no larger than radius_px")
        return self


class CloudPolicy(Table):
    """When clouds stop the subs, and when they go on. Two thresholds, so as not to flutter."""

    maximum_extinction_mag: float = Field(
        default=0.285,
        gt=0,
        le=3,
        description="mean loss of light by cloud over a sub above which it is rejected, in"
        " magnitudes; a little below what would harm, as it is measured to a hundredth",
    )
    hold_fraction: float = Field(
        default=0.6,
        gt=0,
        lt=1,
        description="part of a clear sky's light below which no sub begins",
    )
    resume_fraction: float = Field(
        default=0.7, gt=0, lt=1, description="part of a clear sky's light above which to go on"
    )
    clear_for_s: float = Field(
        default=4.0,
        ge=0,
        description="time it must stay clear to go on; short, as a sub that cloud enters again"
        " is cut, and costs no clear sky",
    )
    recheck_s: float = Field(
        default=60.0, gt=0, description="time between two looks while holding without guide stars"
    )
    recentre_after_s: float = Field(
        default=1800.0,
        ge=0,
        description="hold after which the target is centred anew before it goes on",
    )
    change_target_after_s: float | None = Field(
        default=None,
        gt=0,
        description="hold after which another target is tried for half an hour; left out, none, as"
        " a cloud that stays so long mostly covers all of the sky",
    )
    end_night_after_s: float | None = Field(
        default=None,
        gt=0,
        description="hold after which the night ends, parked and closed; left out, none: the"
        " weather is watched all the while, and a sky may clear at any hour",
    )

    @model_validator(mode="after")
    def _apart(self) -> Self:
        if self.hold_fraction >= self.resume_fraction:
            raise ValueError("must have hold_fraction below resume_fraction")
        return self


class WeatherPolicy(Table):
    """When to open again after bad weather."""

    wait_safe_s: float = Field(
        default=900.0,
        ge=0,
        description="time the weather must stay safe before the roof opens again",
    )


class SafetyPolicy(Table):
    """What the guard refuses, whoever asks."""

    sun_distance_deg: float = Field(
        default=30.0, ge=10, le=180, description="nearest the telescope may come to the Sun, by day"
    )
    sun_altitude_deg: float = Field(
        default=-0.9,
        ge=-2,
        le=0,
        description="altitude of the Sun above which the roof does not open, whatever else is"
        " asked; it sets at -0.83",
    )
    altitude_floor_deg: float = Field(
        default=15.0, ge=-5, lt=90, description="lowest altitude the telescope may point to"
    )


class FramesPolicy(Table):
    """How frames are named, and when one is rejected."""

    name_pattern: str = Field(
        default="{night}/{target}/{target}_{number:04d}_{filter}_{exposure_s:g}s"
        "_{utc:%Y%m%dT%H%M%S}",
        min_length=1,
        description="path of a frame under the output folder, as a Python format string",
    )
    minimum_star_fraction: float = Field(
        default=0.5,
        ge=0,
        le=1,
        description="part of the usual stars below which a frame is rejected",
    )
    maximum_growth_percent: float = Field(
        default=40.0,
        gt=0,
        description="growth of the half-flux radius above which a frame is rejected",
    )
    maximum_ellipticity: float | None = Field(
        default=0.4,
        gt=0,
        lt=1,
        description="1 less short over long axis of the stars above which a frame is rejected",
    )
    maximum_guide_rms_arcsec: float | None = Field(
        default=None,
        gt=0,
        description="guide error above which a frame is rejected; left out, none",
    )

    @property
    def guide_tolerance_arcsec(self) -> float:
        """The guide error that a frame bears; infinite where none is too large."""
        return inf if self.maximum_guide_rms_arcsec is None else self.maximum_guide_rms_arcsec

    @field_validator("name_pattern")
    @classmethod
    def _names_frames(cls, pattern: str) -> str:
        try:
            NamePattern(pattern)
        except ValueError as error:
            raise ValueError(f"names no frames: {error}") from error
        return pattern


class AcquirePolicy(Table):
    """How a target is centred."""

    tolerance_arcsec: float = Field(
        default=30.0, gt=0, description="largest distance from the centre"
    )
    attempts: int = Field(default=4, ge=1, le=20, description="slews before giving the target up")
    rotation_tolerance_deg: float = Field(
        default=2.0,
        gt=0,
        le=90,
        description="turn of the camera since a target's last night above which the log warns",
    )
    exposure_s: float = Field(default=6.0, gt=0, le=120, description="exposure of a frame to solve")
    filter: str | None = Field(
        default=None,
        description="filter for frames to solve; left out, the target's first one, for a narrow"
        " one the broadest",
    )
    begin_before_s: float = Field(
        default=600.0, ge=0, le=3600, description="how long before the dark acquiring may begin"
    )
    open_before_s: float = Field(
        default=1800.0, ge=0, le=7200, description="how long before the dark the roof may open"
    )
    cool_before_s: float = Field(
        default=1500.0, ge=0, le=7200, description="how long before opening cooling begins"
    )


class PlanPolicy(Table):
    """What the plan of a night does not begin, and what it has go first."""

    least_session_s: float = Field(
        default=0.0,
        ge=0,
        le=14400,
        description="a target is not begun for less than this, unless that makes it complete; 0 for"
        " whatever the plan finds worth while",
    )
    finish_first_hours: float = Field(
        default=0.0,
        ge=0,
        le=24,
        description="a target that lacks no more accepted hours than this counts as if its priority"
        " were one better",
    )


class WarmPolicy(Table):
    """How the sensor warms up at the end."""

    ramp_c_per_min: float = Field(
        default=2.0, gt=0, le=20, description="fastest change while warming"
    )
    until_c: float = Field(
        default=10.0, ge=-40, le=40, description="temperature to switch cooling off"
    )


class Policies(Table):
    """policies.toml as a whole."""

    dark: DarkPolicy = Field(default_factory=DarkPolicy, description="when it is dark")
    cycle: CyclePolicy = Field(default_factory=CyclePolicy, description="cycles")
    focus: FocusPolicy = Field(default_factory=FocusPolicy, description="focusing")
    guiding: GuidingPolicy = Field(default_factory=GuidingPolicy, description="guiding")
    plan: PlanPolicy = Field(default_factory=PlanPolicy, description="the plan of a night")
    dither: DitherPolicy = Field(default_factory=DitherPolicy, description="dithering")
    clouds: CloudPolicy = Field(default_factory=CloudPolicy, description="clouds")
    weather: WeatherPolicy = Field(default_factory=WeatherPolicy, description="weather")
    safety: SafetyPolicy = Field(default_factory=SafetyPolicy, description="the guard's limits")
    frames: FramesPolicy = Field(default_factory=FramesPolicy, description="frames")
    acquire: AcquirePolicy = Field(default_factory=AcquirePolicy, description="centring a target")
    calibration: CalibrationPolicy = Field(
        default_factory=CalibrationPolicy, description="darks, biases and flats"
    )
    notices: NoticePolicy = Field(
        default_factory=NoticePolicy, description="word to a person who is not there"
    )
    remote: RemotePolicy = Field(
        default_factory=RemotePolicy, description="looking on from a browser or afar"
    )
    warm: WarmPolicy = Field(default_factory=WarmPolicy, description="warming up")
