"""targets.toml: what to image, and in which proportion."""

import re
from collections.abc import Mapping
from typing import ClassVar, Literal, Self

from pydantic import Field, field_validator, model_validator

from nightloom.cycle import Cycle, Share
from nightloom.settings.coordinates import EQUINOX, in_j2000, with_angles
from nightloom.settings.table import Table


class AskedSub(Table):
    """The subs of one filter."""

    share: int = Field(default=1, ge=1, le=100, description="subs of this filter in one cycle")
    exposure_s: float = Field(gt=0, le=7200, description="length of one sub")
    wanted_hours: float | None = Field(
        default=None, gt=0, description="accepted hours after which this filter is complete"
    )


class TargetDither(Table):
    """A target's own dither, where it differs from the policy."""

    radius_px: float | None = Field(
        default=None, gt=0, description="farthest dither from the centre"
    )
    minimum_step_px: float | None = Field(
        default=None, ge=0, description="shortest step between two pointings"
    )


class Group(Table):
    """Filters that are taken in turn, and the sky they are taken under."""

    name: str = Field(default="", description="name of the group, for tables and pictures")
    filters: dict[str, AskedSub] = Field(
        validation_alias="filter", min_length=1, description="one table for each filter asked"
    )
    moon: Literal["any", "down", "up"] = Field(
        default="any", description="where the Moon must be: its upper edge below or above 0°"
    )
    maximum_moonlight_ratio: float | None = Field(
        default=None,
        gt=1,
        le=100,
        description="sky at the target with the Moon over sky without up to which these filters are"
        " taken; left out, the target's",
    )
    sun_altitude_deg: float | None = Field(
        default=None,
        ge=-30,
        le=0,
        description="altitude of the Sun below which it is dark enough; left out, the policy's",
    )

    @property
    def label(self) -> str:
        """Its name, or its filters where it has none."""
        return self.name or " ".join(self.filters)

    @property
    def cycle_s(self) -> float:
        """Exposure of one whole cycle, in seconds."""
        return sum(sub.share * sub.exposure_s for sub in self.filters.values())

    def lacking(self, accepted_s: Mapping[str, float]) -> dict[str, AskedSub]:
        """The filters that have not reached their wanted hours; those without any never do."""
        return {
            name: sub
            for name, sub in self.filters.items()
            if sub.wanted_hours is None or accepted_s.get(name, 0.0) < 3600.0 * sub.wanted_hours
        }


_TIME_OF_DAY = re.compile(r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?")


class Target(Table):
    """One object and the subs asked of it. Coordinates, once read, are ICRS, as good as J2000."""

    hints: ClassVar[dict[str, str]] = {
        "ra": 'must be text such as "05h35m17s", below 24 h and with minutes and seconds below 60,'
        " or write ra_deg as a number in degrees",
        "dec": 'must be text such as "-05d23m28s", from -90 to 90 degrees and with minutes and'
        " seconds below 60, or write dec_deg as a number in degrees",
    }

    name: str = Field(min_length=1, description="name of the object")
    ra_deg: float = Field(ge=0, lt=360, description="right ascension")
    dec_deg: float = Field(ge=-90, le=90, description="declination")
    equinox: str = Field(default="J2000", description="equinox of the coordinates")
    priority: int = Field(
        default=1, ge=1, le=99, description="1 goes first; a second of it is worth two of a 2"
    )
    altitude_floor_deg: float = Field(
        default=30.0,
        ge=0,
        lt=90,
        description="lowest altitude at which this target is worth imaging",
    )
    maximum_moonlight_ratio: float | None = Field(
        default=None,
        gt=1,
        le=100,
        description="sky at the target with the Moon over sky without up to which it is taken; left"
        " out, any, as a bright sky counts for less in the plan anyhow",
    )
    count: Literal["seconds", "depth"] = Field(
        default="seconds",
        description="what its shares and hours count: exposed seconds, or what subs are worth in"
        " seconds of a clear dark night, less under haze, the Moon or in poor seeing",
    )
    until_utc: str | None = Field(
        default=None, description="time of day after which it is left for the night"
    )
    maximum_hours: float | None = Field(
        default=None, gt=0, le=24, description="accepted hours after which a night leaves it"
    )
    filters: dict[str, AskedSub] = Field(
        default_factory=dict,
        validation_alias="filter",
        description="one table for each filter asked, when there is one group only",
    )
    own_groups: tuple[Group, ...] = Field(
        default=(),
        validation_alias="group",
        description="one table for each group of filters, when there are several",
    )
    dither: TargetDither = Field(
        default_factory=TargetDither, description="dither of this target alone"
    )

    @model_validator(mode="before")
    @classmethod
    def _coordinates(cls, table: object) -> object:
        """Turn `ra` and `dec` texts into degrees, and any equinox into J2000.

        What does not parse stays, to be reported.
        """
        if not isinstance(table, dict):
            return table
        read = in_j2000(with_angles(table))
        groups = read.get("group")
        # What comes out of here is no JSON any more, where a list would do for a tuple.
        return read | {"group": tuple(groups)} if isinstance(groups, list) else read

    @field_validator("equinox")
    @classmethod
    def _a_year(cls, equinox: str) -> str:
        if not EQUINOX.fullmatch(equinox):
            raise ValueError('must be a Julian or Besselian year such as "J2000" or "B1950"')
        return equinox

    @field_validator("until_utc")
    @classmethod
    def _a_time_of_day(cls, text: str | None) -> str | None:
        if text is not None and not _TIME_OF_DAY.fullmatch(text):
            raise ValueError('must be a time of day in UTC such as "02:30"')
        return text

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if bool(self.filters) == bool(self.own_groups):
            raise ValueError(
                "must hold either [target.filter.NAME] tables or [[target.group]] tables"
            )
        names = [name for group in self.own_groups for name in group.filters]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"must name each filter in one group; {', '.join(twice)} is in two")
        return self

    @property
    def groups(self) -> tuple[Group, ...]:
        """The groups of filters, with the target's limit to moonlight where they have no own."""
        return tuple(
            group
            if group.maximum_moonlight_ratio is not None
            else group.model_copy(update={"maximum_moonlight_ratio": self.maximum_moonlight_ratio})
            for group in self.own_groups or (Group(filters=self.filters),)
        )

    @property
    def subs(self) -> dict[str, AskedSub]:
        """The filters of all groups."""
        return {name: sub for group in self.groups for name, sub in group.filters.items()}


class Targets(Table):
    """targets.toml as a whole."""

    targets: tuple[Target, ...] = Field(
        validation_alias="target", min_length=1, description="one [[target]] table for each"
    )

    def named(self, name: str) -> Target:
        """The target of that name. Raises KeyError when there is none."""
        for target in self.targets:
            if target.name == name:
                return target
        raise KeyError(name)


def cycle_of(filters: Mapping[str, AskedSub]) -> Cycle:
    """The cycle of some filters."""
    return Cycle(tuple(Share(name, sub.share, sub.exposure_s) for name, sub in filters.items()))
