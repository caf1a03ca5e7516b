"""targets.toml: what to image, and in which proportion."""

import re
from math import inf
from typing import ClassVar, Literal, Self

from pydantic import Field, field_validator, model_validator

from nightloom.settings.coordinates import EQUINOX, in_j2000, with_angles
from nightloom.settings.groups import AskedSub, Group
from nightloom.settings.mosaic import Mosaic, centres, field_deg, spelled_out, without_field
from nightloom.settings.observatory import Observatory
from nightloom.settings.policies import DitherPolicy
from nightloom.settings.problems import Problem
from nightloom.settings.table import Table


class TargetDither(Table):
    """A target's own dither, where it differs from the policy."""

    radius_px: float | None = Field(
        default=None, gt=0, description="farthest dither from the centre"
    )
    minimum_step_px: float | None = Field(
        default=None, ge=0, description="shortest step between two pointings"
    )
    subs_per_pointing: int | None = Field(
        default=None, ge=1, le=1000, description="subs of each filter that one pointing takes"
    )
    exposed_s_per_pointing: float | None = Field(
        default=None,
        ge=0,
        le=7200,
        description="exposed seconds of each filter that one pointing takes, where these are more",
    )

    def over(self, policy: DitherPolicy) -> DitherPolicy:
        """The policy, with what this target says instead."""
        return policy.model_copy(update=self.model_dump(exclude_none=True))


LOCAL_TIMES = ("from_local", "until_local")
TIMES_OF_DAY = ("from_utc", "until_utc", *LOCAL_TIMES)
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
    from_utc: str | None = Field(
        default=None, description="time of day in UTC before which no night begins it"
    )
    from_local: str | None = Field(
        default=None, description="the same by clocks in the time zone of the site"
    )
    until_utc: str | None = Field(
        default=None, description="time of day in UTC after which it is left for the night"
    )
    until_local: str | None = Field(
        default=None, description="the same by clocks in the time zone of the site"
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
    mosaic: Mosaic | None = Field(
        default=None, description="its panels, where it is larger than a frame"
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
        mosaic = read.get("mosaic")
        if isinstance(mosaic, dict):
            read["mosaic"] = spelled_out(mosaic, table.get("equinox", "J2000"))
        groups = read.get("group")
        # What comes out of here is no JSON any more, where a list would do for a tuple.
        return read | {"group": tuple(groups)} if isinstance(groups, list) else read

    @field_validator("equinox")
    @classmethod
    def _a_year(cls, equinox: str) -> str:
        if not EQUINOX.fullmatch(equinox):
            raise ValueError('must be a Julian or Besselian year such as "J2000" or "B1950"')
        return equinox

    @field_validator(*TIMES_OF_DAY)
    @classmethod
    def _a_time_of_day(cls, text: str | None) -> str | None:
        if text is not None and not _TIME_OF_DAY.fullmatch(text):
            raise ValueError('must be a time of day such as "02:30"')
        return text

    @model_validator(mode="after")
    def _one_clock(self) -> Self:
        for utc, local in (("from_utc", "from_local"), ("until_utc", "until_local")):
            if getattr(self, utc) is not None and getattr(self, local) is not None:
                raise ValueError(f"must hold either {utc} or {local}")
        return self

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if bool(self.filters) == bool(self.own_groups):
            raise ValueError(
                "must hold either [target.filter.NAME] tables or [[target.group]] tables"
            )
        for name, sub in self.subs.items():
            others = [group.filters.get(name, sub) for group in self.own_groups]
            if any(one.model_copy(update={"share": sub.share}) != sub for one in others):
                raise ValueError(
                    f"must give {name} the same exposure_s and hours in all of its groups, as they"
                    " fill one tally"
                )
        return self

    @property
    def whole(self) -> str:
        """The name of what is planned: its own, or the mosaic's of which it is a panel."""
        return self.name

    @property
    def number(self) -> int:
        """Its number in a mosaic, from 1; 0 where it is no panel."""
        return 0

    @property
    def visit_s(self) -> float:
        """Exposed seconds by which a panel may be ahead of others; without end where it is none."""
        return inf

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
    def limits_a_night(self) -> bool:
        """Whether what a night gives to it, or to one of its filters, is limited."""
        limits = (self.maximum_hours, *(sub.maximum_hours for sub in self.subs.values()))
        return any(limit is not None for limit in limits)

    @property
    def subs(self) -> dict[str, AskedSub]:
        """The filters of all groups."""
        return {name: sub for group in self.groups for name, sub in group.filters.items()}


class Panel(Target):
    """A panel of a mosaic. What is asked is asked of each, but hours of a night of all together."""

    mosaic_name: str
    panel: int = Field(ge=1)
    panel_visit_s: float = Field(ge=0)

    @property
    def whole(self) -> str:
        """The name of its mosaic."""
        return self.mosaic_name

    @property
    def number(self) -> int:
        """Its number in the mosaic."""
        return self.panel

    @property
    def visit_s(self) -> float:
        """Exposed seconds by which it may be ahead of the mosaic's other panels."""
        return self.panel_visit_s


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

    def of(self, whole: str) -> tuple[Target, ...]:
        """The panels of the mosaic of that name, or the one target."""
        return tuple(target for target in self.targets if target.whole == whole)

    def spread(self, observatory: Observatory) -> tuple[Self, list[Problem]]:
        """The same with its panels in place of each mosaic, and what is wrong with that."""
        problems = [
            problem
            for target in self.targets
            if target.mosaic is not None
            for problem in without_field(target.name, target.mosaic, observatory)
        ]
        if problems:
            return self, problems
        spread = tuple(one for target in self.targets for one in panels_of(target, observatory))
        names = [target.name for target in spread]
        problems = [
            Problem("targets.toml", "target", name, "must name one target, or panel, only")
            for name in dict.fromkeys(target.name for target in spread if target.number)
            if names.count(name) > 1
        ]
        return self.model_copy(update={"targets": spread}), problems


def panels_of(target: Target, observatory: Observatory) -> tuple[Target, ...]:
    """The panels of a mosaic, or the target itself where it is none."""
    mosaic = target.mosaic
    if mosaic is None:
        return (target,)
    field = field_deg(mosaic, observatory) or (0.0, 0.0)  # of no use where places are listed
    told = {name: getattr(target, name) for name in Target.model_fields}
    return tuple(
        Panel.model_construct(
            **told
            | {
                "name": f"{target.name} panel {number}",
                "mosaic": None,
                "ra_deg": ra_deg,
                "dec_deg": dec_deg,
            },
            mosaic_name=target.name,
            panel=number,
            panel_visit_s=mosaic.visit_s,
        )
        for number, (ra_deg, dec_deg) in enumerate(
            centres(mosaic, (target.ra_deg, target.dec_deg), field), 1
        )
    )
