"""observatory.toml: where the rig stands and what it is made of.

Long on purpose: one file of the user's is one file here, a table a class.
"""

from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BeforeValidator,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)

from nightloom.cycle import CHANGE_S, DITHER_S, DOWNLOAD_S
from nightloom.settings.table import Table
from nightloom.sky import Site as Place
from nightloom_drivers.devices.weather_units import UNITS, Limit


def _absolute(folder: Path) -> Path:
    if "\0" in str(folder):
        raise ValueError("must be a path, and none has a null character in it")
    try:
        expanded = folder.expanduser()
    except RuntimeError:
        raise ValueError("must be an absolute path; that user has no home here") from None
    if not expanded.is_absolute():
        raise ValueError("must be an absolute path, or one that starts with ~")
    return expanded


Folder = Annotated[Path, AfterValidator(_absolute)]
Range = tuple[float, float]

LIMIT_RULE = (
    "must say minimum, maximum or both, with one unit behind, such as maximum_km_h;"
    f" units are {', '.join(UNITS)}; none for a plain number"
)


def scale_arcsec_per_px(pixel_um: float, focal_length_mm: float) -> float:
    """Sky angle of one pixel: a micrometre in a millimetre is 206.265″, for small angles."""
    return 206.264806 * pixel_um / focal_length_mm


class Site(Table):
    """Where the rig stands, and what hides the sky there."""

    latitude_deg: float = Field(ge=-90, le=90, description="geodetic latitude, north positive")
    longitude_deg: float = Field(ge=-180, le=360, description="longitude, east positive")
    elevation_m: float = Field(ge=-450, le=9000, description="height above sea level")
    horizon: tuple[tuple[float, float], ...] = Field(
        default=(),
        description="[azimuth_deg from north through east, altitude_deg] points, joined up",
    )

    time_zone: str | None = Field(
        default=None,
        description="zone in which people are told times, such as Europe/Zurich; left out: that of"
        " the computer that tells them. The log stays UTC",
    )

    @field_validator("time_zone")
    @classmethod
    def _known(cls, name: str | None) -> str | None:
        try:
            if name is not None:
                ZoneInfo(name)
        except (ValueError, OSError, KeyError):
            raise ValueError("must be a time zone, such as Europe/Zurich") from None
        return name

    @field_validator("horizon")
    @classmethod
    def _inside_the_sky(cls, horizon: tuple[Range, ...]) -> tuple[Range, ...]:
        for azimuth_deg, altitude_deg in horizon:
            if not (0 <= azimuth_deg <= 360 and -90 <= altitude_deg <= 90):
                raise ValueError(
                    "must hold [azimuth_deg from 0 to 360, altitude_deg from -90 to 90] pairs"
                )
        if len({azimuth_deg for azimuth_deg, _ in horizon}) < len(horizon):
            raise ValueError("must name each azimuth once")
        return tuple(sorted(horizon))

    @property
    def place(self) -> Place:
        """The site as the rules know it."""
        return Place(self.latitude_deg, self.longitude_deg, self.elevation_m)


class Server(Table):
    """The INDI server that speaks for the devices."""

    host: str = Field(
        default="localhost", min_length=1, description="name or address of the INDI server"
    )
    port: int = Field(default=7624, ge=1, le=65535, description="TCP port of the INDI server")


FASTEST_RATIO = 0.5
"""Of focal length to aperture."""


def _likely_unit(focal_length: float, aperture_mm: float) -> str:
    """What a focal length that cannot be in millimetres may have been meant in."""
    for unit, mm in (("metres", 1000.0), ("inches", 25.4)):
        if 1.5 <= mm * focal_length / aperture_mm <= 20.0:
            return f": if it is in {unit}, write {mm * focal_length:.4g}"
    return ""


class Optics(Table):
    """The main telescope."""

    name: str | None = Field(
        default=None, min_length=1, description="written into frames; left out, its measures are"
    )
    focal_length_mm: float = Field(gt=0, description="effective focal length, reducer included")
    aperture_mm: float = Field(gt=0, description="clear diameter of the lens or mirror")
    central_obstruction: float = Field(
        default=0.0,
        ge=0,
        lt=1,
        description="diameter of the secondary mirror over that of the aperture",
    )

    @model_validator(mode="after")
    def _possible(self) -> Self:
        """No optics are faster than f/0.5: the sine condition, for an image in air."""
        if self.focal_ratio < FASTEST_RATIO:
            raise ValueError(
                f"must have focal_length_mm at least {FASTEST_RATIO:g} times aperture_mm, as no"
                f" telescope is faster; {self.focal_length_mm:g} mm to {self.aperture_mm:g} mm"
                f" is not{_likely_unit(self.focal_length_mm, self.aperture_mm)}"
            )
        return self

    @property
    def described(self) -> str:
        """Its name; without one, its aperture, focal ratio and focal length."""
        measures = f"{self.aperture_mm:g} mm f/{self.focal_ratio:.2g}, {self.focal_length_mm:g} mm"
        return self.name or measures

    @property
    def focal_ratio(self) -> float:
        """Focal length over aperture."""
        return self.focal_length_mm / self.aperture_mm

    def scale_arcsec_per_px(self, pixel_um: float) -> float:
        """Sky angle of one pixel of the main camera's frames, of this size with its binning."""
        return scale_arcsec_per_px(pixel_um, self.focal_length_mm)


LEAST_PIXEL_UM, MOST_PIXEL_UM = 0.5, 100.0
"""A pixel is no smaller than a wave of the light that it is to tell apart (common practice, no
source for the largest)."""


class _Sized(Table):
    """What has a sensor, whose size may be said."""

    width_px: int | None = Field(
        default=None,
        ge=16,
        le=65535,
        description="columns of the unbinned sensor, for rehearsals; both sizes or neither",
    )
    height_px: int | None = Field(
        default=None, ge=16, le=65535, description="rows of the unbinned sensor, for rehearsals"
    )
    mirrored: bool = Field(
        default=False,
        description="true when an odd number of mirrors forms the image, for rehearsals: on a real"
        " rig solved frames and the guide calibration show it",
    )

    @model_validator(mode="after")
    def _whole_size(self) -> Self:
        if (self.width_px is None) is not (self.height_px is None):
            raise ValueError("must have both width_px and height_px, or neither")
        return self


class Camera(_Sized):
    """The imaging camera."""

    device: str = Field(min_length=1, description="INDI name of the device")
    gain: float | None = Field(
        default=None,
        ge=0,
        description="gain, in the camera's own units; left out, it stays as it is, as for a camera"
        " that has none to set",
    )
    offset: float | None = Field(
        default=None,
        ge=0,
        description="offset, in the camera's own units; left out, as for gain",
    )
    binning: int = Field(default=1, ge=1, le=8, description="pixels joined in each direction")
    pixel_um: float | None = Field(
        default=None,
        ge=LEAST_PIXEL_UM,
        le=MOST_PIXEL_UM,
        description="size of an unbinned pixel; left out, the camera is asked",
    )
    cooled: bool = Field(default=True, description="false for a camera without a cooler")
    target_temperature_c: float = Field(
        default=-10.0, ge=-60, le=40, description="sensor temperature during the night"
    )
    cooling_ramp_c_per_min: float = Field(
        default=2.0,
        gt=0,
        le=20,
        description="fastest change of the sensor temperature while cooling",
    )
    saturation_adu: float = Field(
        default=60000.0, gt=0, description="level above which a pixel no longer follows the light"
    )
    download_deadline_s: float = Field(
        default=30.0, gt=0, description="longest wait for a frame after its exposure ends"
    )


class GuideCamera(_Sized):
    """The chip that watches the guide stars."""

    device: str = Field(min_length=1, description="INDI name of the device")
    head: Literal["main", "guide"] = Field(
        default="main", description="which chip of that device: its main one or its guide head"
    )
    exposure_s: float = Field(default=2.0, gt=0, le=60, description="guide exposure")
    focal_length_mm: float = Field(ge=10, description="focal length in front of the guide chip")
    pixel_um: float = Field(
        ge=LEAST_PIXEL_UM, le=MOST_PIXEL_UM, description="size of an unbinned pixel"
    )
    binning: int = Field(default=1, ge=1, le=8, description="pixels joined in each direction")
    saturation_adu: float = Field(
        default=65535.0, gt=0, description="pixel value at which a guide star's light is cut off"
    )
    gain_e_per_adu: float = Field(
        default=1.0, gt=0, description="electrons for one unit of a guide frame"
    )

    @property
    def scale_arcsec_per_px(self) -> float:
        """Sky angle of one pixel of its frames."""
        return scale_arcsec_per_px(self.pixel_um * self.binning, self.focal_length_mm)


class Wheel(Table):
    """The filter wheel."""

    device: str = Field(min_length=1, description="INDI name of the device")
    slots: tuple[str, ...] = Field(
        min_length=1, description="filter names in slot order, the first one in slot 1"
    )

    @field_validator("slots")
    @classmethod
    def _one_name_a_slot(cls, slots: tuple[str, ...]) -> tuple[str, ...]:
        twice = sorted({name for name in slots if slots.count(name) > 1})
        if twice:
            raise ValueError(f"must name each filter once; {', '.join(twice)} fills two slots")
        if not all(name.strip() for name in slots):
            raise ValueError("must give every slot a name")
        return slots

    def slot_of(self, filter_name: str) -> int:
        """Slot number of a filter, counted from 1. Raises ValueError when none holds it."""
        return self.slots.index(filter_name) + 1


class Filter(Table):
    """One filter: where it focuses and what it lets through."""

    offset_steps: int = Field(
        description="focuser position with this filter less that with the reference filter"
    )
    blind: bool = Field(
        default=False, description="true for a slot that lets no light through, as for darks"
    )
    wavelength_nm: float = Field(gt=200, lt=2000, description="middle of its pass band")
    bandwidth_nm: float | None = Field(
        default=None, gt=0, lt=2000, description="width of its pass band"
    )


class Focuser(Table):
    """The motor focuser."""

    device: str = Field(min_length=1, description="INDI name of the device")
    step_um: float = Field(gt=0, description="movement of the focal plane for one step")
    backlash_steps: int = Field(default=0, ge=0, description="lost motion when the direction turns")
    approach: Literal["outward", "inward"] = Field(
        default="outward",
        description="direction of the last move to every position (outward: rising)",
    )
    slope_steps_per_c: float = Field(
        default=0.0, description="shift of focus for each degree that it warms, until it is learned"
    )
    start_steps: int | None = Field(
        default=None,
        ge=0,
        description="position to start from; left out, the night starts where it is",
    )
    minimum_steps: int = Field(default=0, ge=0, description="lowest position ever asked for")
    maximum_steps: int = Field(default=100000, gt=0, description="highest position ever asked for")

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.minimum_steps >= self.maximum_steps:
            raise ValueError("must have minimum_steps below maximum_steps")
        start = self.start_steps
        if start is not None and not self.minimum_steps <= start <= self.maximum_steps:
            raise ValueError("must have start_steps between minimum_steps and maximum_steps")
        return self


class Mount(Table):
    """The equatorial mount and how far it may turn."""

    device: str = Field(min_length=1, description="INDI name of the device")
    slew_settle_s: float = Field(default=3.0, ge=0, description="rest after each slew")
    needs_flip: bool = Field(
        default=True, description="true for a German mount, which changes pier side at the meridian"
    )
    hour_angle_pier_west_h: Range = Field(
        default=(-6.0, 0.25),
        description="hour angles allowed with the telescope west of the pier, looking east",
    )
    hour_angle_pier_east_h: Range = Field(
        default=(-0.25, 6.0),
        description="hour angles allowed with the telescope east of the pier, looking west",
    )
    flip_after_h: float = Field(
        default=0.02,
        ge=-2,
        le=4,
        description="hour angle from which on the mount goes to the east of its pier when told to"
        " slew; larger for mounts that flip late",
    )
    flip_retry_s: float = Field(
        default=120.0,
        ge=0,
        le=1800,
        description="wait before a mount that stayed on its side is told once more to cross",
    )
    pier_side: Literal["reported", "opposite", "solved"] = Field(
        default="reported",
        description="where the side of the pier is known from: the mount's report, the opposite of"
        " it, or the turn of solved frames",
    )
    sync: bool = Field(
        default=True, description="whether to tell the mount where it is after a solve"
    )

    @field_validator("hour_angle_pier_west_h", "hour_angle_pier_east_h")
    @classmethod
    def _a_range(cls, hours: Range) -> Range:
        if not -12 <= hours[0] < hours[1] <= 12:
            raise ValueError("must be [lowest, highest] between -12 and 12 hours, west positive")
        return hours

    @model_validator(mode="after")
    def _sides_in_order(self) -> Self:
        west_h, east_h = self.hour_angle_pier_west_h, self.hour_angle_pier_east_h
        if self.needs_flip and sum(west_h) >= sum(east_h):
            raise ValueError(
                "must have lower hour angles in hour_angle_pier_west_h, where the telescope looks"
                " east, than in hour_angle_pier_east_h"
            )
        if self.needs_flip and self.flip_after_h >= east_h[1]:
            raise ValueError(
                "must have flip_after_h inside hour_angle_pier_east_h, or no target could be"
                " followed through the meridian"
            )
        return self

    @property
    def changes_at_h(self) -> float:
        """The least hour angle at which the mount goes, and may go, to the east of its pier."""
        return max(self.flip_after_h, self.hour_angle_pier_east_h[0])

    @property
    def standstill_h(self) -> float:
        """How long neither side may look at a target that passes the meridian; 0 for none."""
        return max(0.0, self.changes_at_h - self.hour_angle_pier_west_h[1])


class GuidePort(Table):
    """The device that takes guide pulses."""

    device: str = Field(min_length=1, description="INDI name of the device")


class WeatherLimit(Table):
    """Values of one weather parameter that count as safe: `minimum` and `maximum`, with the unit
    behind, as in `maximum_km_h`; alone for a number that has none.
    """

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, float] = Field(init=False)

    @model_validator(mode="after")
    def _in_one_unit(self) -> Self:
        ends = {self._end(key)[0] for key in self.__pydantic_extra__}
        if len(ends) < len(self.__pydantic_extra__) or len(self._units()) != 1:
            raise ValueError(LIMIT_RULE)
        if not self.limit.is_a_range:
            raise ValueError("must have a minimum that is not above its maximum")
        return self

    @property
    def limit(self) -> Limit:
        """The same as the device knows it."""
        said = {self._end(key)[0]: value for key, value in self.__pydantic_extra__.items()}
        return Limit(said.get("minimum"), said.get("maximum"), *self._units())

    def _units(self) -> set[str]:
        return {self._end(key)[1] for key in self.__pydantic_extra__}

    @staticmethod
    def _end(key: str) -> tuple[str, str]:
        """Which end of the range a key is, and its unit. Raises ValueError."""
        end, _, unit = key.partition("_")
        if end not in ("minimum", "maximum") or (unit not in UNITS and key != end):
            raise ValueError(f"knows no {key}; it {LIMIT_RULE}")
        return end, unit


class Weather(Table):
    """A weather station; its silence is unsafe weather."""

    device: str = Field(min_length=1, description="INDI name of the device")
    silence_s: float = Field(
        default=180.0,
        gt=0,
        description="age of the last reading beyond which the weather is unsafe",
    )
    frozen_s: float = Field(
        default=1800.0,
        ge=0,
        description="all of the air's values the same for this long count as silence, where the"
        " temperature is measured; 0 switches it off",
    )
    limits: dict[str, WeatherLimit] = Field(
        default_factory=dict,
        validation_alias="limit",
        description="own limits by the station's INDI parameter, besides the station's: minimum"
        f" and maximum, with the unit behind ({', '.join(UNITS)}), or without one",
    )


def _listed(said: object) -> object:
    """A single table stands for a list of one."""
    if isinstance(said, dict):
        return (said,)
    return tuple(said) if isinstance(said, list) else said


class Roof(Table):
    """The roof or dome shutter."""

    device: str = Field(min_length=1, description="INDI name of the device")
    move_deadline_s: float = Field(default=120.0, gt=0, description="longest time to open or close")
    clears: Literal["parked", "always"] = Field(
        default="parked",
        description="which telescope it passes without touching it: a parked one only, over which"
        " alone it then moves; or one in any position, so that it closes at once in rain and also"
        " when the mount cannot be parked",
    )
    unwatched: bool = Field(
        default=False,
        description="true to open it without a weather station: it stays open in the rain unless"
        " somebody is there to watch",
    )


class DustCap(Table):
    """The motor cap in front of the telescope."""

    device: str = Field(min_length=1, description="INDI name of the device")


class LightPanel(Table):
    """The light for flats: in the dust cap, or where the telescope looks when it is parked."""

    device: str = Field(min_length=1, description="INDI name of the device")


class Outlet(Table):
    """What switches the power of one role's device; both names are as its driver has them."""

    vector: str = Field(min_length=1, description="INDI vector, such as POWER_CHANNELS")
    element: str = Field(min_length=1, description="its switch that is On while there is power")
    off_element: str = Field(
        default="", description="its switch that is On while there is none, where it has one"
    )


FedRole = Literal[
    "camera", "guide_camera", "wheel", "focuser", "mount", "guide_port", "weather", "roof",
    "dust_cap",
]  # fmt: skip


class PowerSwitch(Table):
    """A box that switches the power of other devices; only outlets named here are ever switched."""

    device: str = Field(min_length=1, description="INDI name of the device")
    off_s: float = Field(default=10.0, ge=1, le=600, description="how long power is cut")
    back_s: float = Field(
        default=120.0, gt=0, description="longest time to be connected again with power"
    )
    outlets: dict[FedRole, Outlet] = Field(
        validation_alias="outlet",
        min_length=1,
        description="one table for each role whose power may be cut",
    )

    @model_validator(mode="after")
    def _moves_nothing_unnamed(self) -> Self:
        """What feeds the mount or the roof feeds nothing else."""
        for role in ("mount", "roof"):
            outlet = self.outlets.get(role)
            sharing = [
                other
                for other, one in self.outlets.items()
                if other != role
                and outlet is not None
                and (one.vector, one.element) == (outlet.vector, outlet.element)
            ]
            if sharing:
                raise ValueError(f"must have an outlet for the {role} that feeds no {sharing[0]}")
        return self


class Solver(Table):
    """What finds the coordinates of a frame."""

    kind: Literal["astrometry", "catalogue"] = Field(
        default="astrometry", description="astrometry.net's solve-field, or the built-in star list"
    )
    deadline_s: float = Field(default=60.0, gt=0, description="longest time for one solution")
    search_radius_deg: float = Field(
        default=5.0, gt=0, le=180, description="how far from the expected place to look"
    )


class Costs(Table):
    """What a gap between two subs costs, until measured costs replace these."""

    download_s: float = Field(
        default=DOWNLOAD_S, ge=0, description="from the end of an exposure to its frame"
    )
    wheel_change_s: float = Field(
        default=CHANGE_S,
        ge=0,
        description="filter change and its focus offset, whichever the filters",
    )
    wheel_slot_s: float | None = Field(
        default=None,
        gt=0,
        description="time to travel one slot; said, changes are reckoned by slots and focus steps",
    )
    wheel_one_way: bool = Field(
        default=False, description="true for a wheel that turns towards higher slots only"
    )
    focuser_steps_per_s: float | None = Field(
        default=None, gt=0, description="speed of the focuser, for changes reckoned by slots"
    )
    dither_s: float = Field(default=DITHER_S, ge=0, description="dither and settling")


class Observatory(Table):
    """observatory.toml as a whole."""

    name: str = Field(min_length=1, description="name of the observatory, written into frames")
    output_folder: Folder = Field(
        description="where frames, logs and the ledger go: absolute, or starting with ~"
    )
    site: Site = Field(description="where the rig stands")
    server: Server = Field(default_factory=Server, description="the INDI server")
    optics: Optics = Field(description="the main telescope")
    camera: Camera = Field(description="the imaging camera")
    guide_camera: GuideCamera = Field(description="the guide chip")
    wheel: Wheel = Field(description="the filter wheel")
    filters: dict[str, Filter] = Field(
        validation_alias="filter", min_length=1, description="one table for each filter"
    )
    focuser: Focuser = Field(description="the motor focuser")
    mount: Mount = Field(description="the equatorial mount")
    guide_port: GuidePort = Field(description="the device that takes guide pulses")
    weather: Annotated[tuple[Weather, ...], BeforeValidator(_listed)] = Field(
        default=(), description="the weather station, or each of several as [[weather]]"
    )
    roof: Roof | None = Field(default=None, description="the roof or dome shutter")
    dust_cap: DustCap | None = Field(default=None, description="the telescope's cap")
    light_panel: LightPanel | None = Field(
        default=None,
        description="the light for flats: in the dust cap, or without one before the parked"
        " telescope",
    )
    power: PowerSwitch | None = Field(
        default=None, description="what switches the power of devices that hang"
    )
    solver: Solver = Field(default_factory=Solver, description="the plate solver")
    costs: Costs = Field(default_factory=Costs, description="expected costs of a gap")

    @field_validator("weather")
    @classmethod
    def _each_station_once(cls, stations: tuple[Weather, ...]) -> tuple[Weather, ...]:
        if len({station.device for station in stations}) < len(stations):
            raise ValueError("must name each station once")
        return stations
